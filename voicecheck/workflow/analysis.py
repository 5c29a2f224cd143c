"""From files to measurements."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from voicecheck.bench import wavfile
from voicecheck.bench.audiofile import read_in_blocks
from voicecheck.errors import RecordingError, VoicecheckError
from voicecheck.frying import Burst, FryingSummary, FryingWatch
from voicecheck.measure import describe_recording, measure_recording
from voicecheck.programme import RECIPES, make_programme
from voicecheck.records import (
    Measurement,
    Problem,
    Programme,
    Recipe,
    Recording,
    RecordingInfo,
    to_document,
)
from voicecheck.records.parts import PartsRecipe
from voicecheck.records.terms import check_word
from voicecheck.writing import DOOR, Door

MOST_FILES = 200
"""Of a folder that are looked at for another programme's recipe."""
PROGRAMME_SCHEMA = "voicecheck.programme/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unusable:
    """A recording that gave no numbers, and why."""

    recording: RecordingInfo
    error: VoicecheckError

    @property
    def problem(self) -> Problem:
        """The error as a problem of the recording."""
        kind = self.error.kind if isinstance(self.error, RecordingError) else "unusable"
        at_s = self.error.at_s if isinstance(self.error, RecordingError) else None
        return Problem(
            kind=kind, at_s=at_s, message=str(self.error), effect="no number could be had"
        )


def choose_recipe(kind: str = "default", **changes: Any) -> Recipe:
    """
    One of the recipes on offer, with some values changed.

    Parameters
    ----------
    kind : str
        "default", "quick" or "careful".
    **changes : object
        Fields of `Recipe`; `None` leaves the recipe's own.

    Returns
    -------
    Recipe

    Raises
    ------
    InputError
        No such kind.
    """
    check_word(kind, RECIPES, "kind")
    wanted = {name: value for name, value in changes.items() if value is not None}
    return dataclasses.replace(RECIPES[kind], **wanted)


def write_signal(path: str | Path, recipe: Recipe, door: Door = DOOR) -> Programme:
    """
    Make the programme of a recipe and write it as a programme file.

    Parameters
    ----------
    path : path
    recipe : Recipe
    door : Door

    Returns
    -------
    Programme

    Raises
    ------
    InputError
        A value of the recipe is out of range, or the file cannot be written.
    BenchError
        The output cap would be exceeded.
    """
    programme = make_programme(recipe)
    wavfile.save_programme(programme, path, door)
    return programme


def choose_stimulus(**changes: Any) -> PartsRecipe:
    """
    Recipe of the stimulus of the electrical check, for all parts, with some values changed.

    Parameters
    ----------
    **changes : object
        As `make_recipe` of the stimulus takes them.

    Returns
    -------
    PartsRecipe
    """
    from voicecheck.checkout.parts.stimulus import make_recipe

    return make_recipe(**changes)


def write_stimulus(path: str | Path, recipe: PartsRecipe, door: Door = DOOR) -> Programme:
    """
    Make the stimulus of the electrical check and write it as a file of its own.

    Parameters
    ----------
    path : path
    recipe : PartsRecipe
    door : Door

    Returns
    -------
    Programme

    Raises
    ------
    InputError, BenchError
        As `write_signal`.
    """
    from voicecheck.bench.partsfile import save_stimulus

    return save_stimulus(recipe, path, door)


def describe_programme(
    programme: Programme, file: str, recipe: PartsRecipe | None = None
) -> dict[str, Any]:
    """JSON document of a programme file, without its samples."""
    return {
        "schema": PROGRAMME_SCHEMA,
        "file": file,
        "rate_hz": programme.rate_hz,
        "duration_s": programme.duration_s,
        "blocks": [to_document(block) for block in programme.blocks],
        "recipe": to_document(recipe or programme.recipe),
    }


def analyze(
    recording: str | Path | Recording,
    signal: str | Path | Programme,
    *,
    channel: int | None = None,
    take: int | None = None,
) -> Measurement:
    """
    Every number of one recording.

    Parameters
    ----------
    recording : path or Recording
        What came back.
    signal : path or Programme
        The programme that was played.
    channel : int, optional
        Of the file, counted from 1; the one that holds the programme if not given.
    take : int, optional
        Of several takes in it, from 1; the strongest if not given.

    Returns
    -------
    Measurement

    Raises
    ------
    InputError
        No such channel or take.
    RecordingError
        The recording or the programme file cannot be used.
    """
    programme = signal if isinstance(signal, Programme) else wavfile.load_programme(signal)
    if isinstance(recording, Recording):
        return measure_recording(programme, recording, take=take)
    folders = [Path(recording).parent]
    if not isinstance(signal, Programme):
        folders.append(Path(signal).parent)
    loaded = wavfile.load_take(recording, programme, channel=channel)
    measurement = measure_known(programme, loaded, lambda: list_recipes(folders), take=take)
    return _name(measurement, Path(recording).name)


def measure_known(
    programme: Programme,
    recording: Recording,
    find_known: Callable[[], Sequence[Recipe]],
    *,
    take: int | None = None,
) -> Measurement:
    """
    Every number of one recording, also where another known programme was played.

    Parameters
    ----------
    programme : Programme
    recording : Recording
    find_known : callable
        Asked for recipes only where the programme given is not the one that was played.
    take : int, optional

    Returns
    -------
    Measurement

    Raises
    ------
    InputError, RecordingError
        As `measure_recording`.
    """
    try:
        return measure_recording(programme, recording, take=take)
    except RecordingError as error:
        known = find_known() if error.kind == "wrong-programme" else ()
        if not known:
            raise
    return measure_recording(programme, recording, known=known, take=take)


def list_recipes(folders: Iterable[Path]) -> tuple[Recipe, ...]:
    """
    Recipes of the programme files in some folders.

    Parameters
    ----------
    folders : iterable of path
    """
    files = {file for folder in folders for file in sorted(folder.glob("*.wav"))[:MOST_FILES]}
    recipes = [wavfile.read_recipe(file) for file in sorted(files)]
    return tuple(dict.fromkeys(one for one in recipes if one is not None))


def _name(measurement: Measurement, file: str) -> Measurement:
    return measurement.replace(recording=dataclasses.replace(measurement.recording, file=file))


def analyze_files(
    files: Sequence[str | Path],
    signal: str | Path,
    *,
    channel: int | None = None,
    take: int | None = None,
    n_jobs: int = 1,
    progress: Callable[[int], None] | None = None,
) -> list[Measurement | Unusable]:
    """
    Analyse several recordings; one bad file does not stop the others.

    Parameters
    ----------
    files : sequence of path
    signal : path
        Programme file that all of them are recordings of.
    channel : int, optional
        Counted from 1; of each file the one that holds the programme if not given.
    take : int, optional
        Of several takes in a file, from 1; the strongest if not given.
    n_jobs : int
        Processes that share the work.
    progress : callable, optional
        Called with the number of files done.

    Returns
    -------
    list of Measurement or Unusable
        In the order given.

    Raises
    ------
    RecordingError
        The programme file itself cannot be used.
    """
    programme = wavfile.load_programme(signal)
    how = _How(channel=channel, take=take, folder=Path(signal).parent)
    results: list[Measurement | Unusable] = []
    for result in _analyze_each(files, programme, how, n_jobs):
        results.append(result)
        if progress:
            progress(len(results))
    return results


@dataclass(frozen=True, slots=True, kw_only=True)
class _How:
    """What is to be taken from each file, and where other programmes may lie."""

    channel: int | None
    take: int | None
    folder: Path


def _analyze_each(
    files: Sequence[str | Path], programme: Programme, how: _How, n_jobs: int
) -> Iterable[Measurement | Unusable]:
    """Results in the order given; with several processes each makes the programme for itself."""
    if n_jobs == 1 or len(files) < 2:
        return (_analyze_one(Path(file), programme, how) for file in files)
    from joblib import Parallel, delayed

    # A task of one file would spend as long on its way as on the work.
    size = max(1, min(5, len(files) // (4 * n_jobs)))
    groups = [files[first : first + size] for first in range(0, len(files), size)]
    work = (delayed(_analyze_group)(group, programme.recipe, how) for group in groups)
    done = Parallel(n_jobs=n_jobs, return_as="generator")(work)
    return (result for group in done for result in group)


def _analyze_group(
    files: Sequence[str | Path], recipe: Recipe, how: _How
) -> list[Measurement | Unusable]:
    return [_analyze_one(Path(file), remake_programme(recipe), how) for file in files]


@lru_cache(maxsize=4)
def remake_programme(recipe: Recipe) -> Programme:
    """The programme of a recipe, made once for all the recordings of it in this process."""
    return make_programme(recipe)


def _analyze_one(file: Path, programme: Programme, how: _How) -> Measurement | Unusable:
    info = RecordingInfo(file=file.name, channel=how.channel or 1)
    try:
        recording = wavfile.load_take(file, programme, channel=how.channel)
        info = describe_recording(recording, file.name)
        found = measure_known(
            programme, recording, lambda: list_recipes([file.parent, how.folder]), take=how.take
        )
    except VoicecheckError as error:
        return Unusable(recording=info, error=error)
    return _name(found, file.name)


def watch_idle(
    file: str | Path, *, channel: int = 1, on_burst: Callable[[Burst], None] | None = None
) -> FryingSummary:
    """
    Bursts in the idle noise of a recording of any length, at constant memory.

    Parameters
    ----------
    file : path
        Recorded with nothing played.
    channel : int
        Counted from 1.
    on_burst : callable, optional
        Told each burst as it ends.

    Returns
    -------
    FryingSummary

    Raises
    ------
    InputError
        No such channel.
    RecordingError
        The file cannot be used.
    """
    watch: FryingWatch | None = None
    for samples, rate_hz in read_in_blocks(file, channel=channel):
        watch = watch or FryingWatch(rate_hz)
        _tell(watch.update(samples), on_burst)
    if watch is None:
        raise RecordingError(f"{Path(file).name}: holds no sound; record again", "empty")
    _tell(watch.finish(), on_burst)
    return watch.summarise()


def _tell(bursts: list[Burst], on_burst: Callable[[Burst], None] | None) -> None:
    if on_burst is not None:
        for burst in bursts:
            on_burst(burst)


def describe_result(result: Measurement | Unusable) -> dict[str, Any]:
    """JSON document of one analysed file; of an unusable one only `recording` and `problems`."""
    if isinstance(result, Measurement):
        return to_document(result)
    return {
        "recording": to_document(result.recording),
        "problems": [to_document(result.problem)],
    }
