"""Where the recording of a check comes from: a file, a made scene, or a sound device."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from voicecheck.bench.audiofile import load_pair
from voicecheck.bench.wavfile import load_recording
from voicecheck.errors import InputError
from voicecheck.records import Conditions, Programme, Recipe, Recording
from voicecheck.records.arrays import Array
from voicecheck.units import db_from_ratio, ratio_from_db
from voicecheck.workflow.benches.locks import hold_bench, hold_device
from voicecheck.workflow.checks.kinds import CheckKind, get_kind, load_scene
from voicecheck.workflow.checks.source import LEAST_S, MOST_S, MOST_TONE_DBFS, Source

RATE_HZ = 48000
FADE_S = 0.05
"""Of the tone's ends: 50 periods at 1 kHz, so that nothing clicks in a receiver."""
TRIM_S = 0.2
"""Cut from both ends of what was recorded with a tone: its fades are no part of the test."""
DELAY_S = 0.6
"""A device's delay is less: from then on what comes in while a tone plays is the tone."""
LOOK_EVERY_S, LOOK_SHARE = 0.5, 5.0
"""
Twice a second is as fast as digits are dialled; and never more than one part in six of the time,
so that looking, which grows with what has come in, cannot make the sound pile up.
"""

Heard = Callable[[Recording], None]
Progress = Callable[[float, float | None], None]


def take_scene(
    check: str,
    source: Source,
    options: Any = None,
    *,
    progress: Progress | None = None,
    heard: Heard | None = None,
) -> Recording:
    """
    Get the recording of a check.

    Parameters
    ----------
    check : str
        Its name.
    source : Source
    options : record, optional
        Of that check; its defaults without.
    progress : callable, optional
        Told the fraction done and the input's level while a sound device records.
    heard : callable, optional
        Given what has come in so far, twice a second, while a sound device records.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        No such channel, device or simulated scene.
    RecordingError
        The file cannot be used.
    BenchError
        The sound device is busy or failed.
    """
    kind = get_kind(check)
    options = kind.options() if options is None else options
    programme = kind.make_programme and kind.make_programme(options, source.level_dbfs)
    if source.recording is not None:
        return _load(kind, source.recording, source.channel, is_pair=programme is not None)
    if source.simulated is not None:
        return make_scene(kind, source.simulated, source.seed, options, programme)
    if source.speech is not None:
        programme = make_speech_programme(source.speech, source.level_dbfs)
        return _play(check, source, programme, "receive", progress=progress)
    if programme is not None:
        if programme.recipe.level_dbfs > MOST_TONE_DBFS:
            raise InputError(
                f"signal: made at {programme.recipe.level_dbfs:g} dBFS, need {MOST_TONE_DBFS:g} or "
                "less to be played here; it may reach a receiver"
            )
        return _play(check, source, programme, "loop", progress=progress, is_pair=True)
    if source.tone_hz is None:
        from voicecheck.bench.soundcard.card import name_devices

        (device,) = name_devices(source.bench)
        with hold_device(device, f"check, {check}"):
            return _listen(source, progress, heard)
    return _play_tone(check, source, progress, heard)


def _load(kind: CheckKind, path: str | Path, channel: int, *, is_pair: bool) -> Recording:
    conditions = Conditions(path="loop", bench="file")
    if is_pair:
        return load_pair(path, channel=channel, conditions=conditions)
    return load_recording(path, channel=channel, conditions=conditions, codings=kind.codings)


def _play_tone(
    check: str, source: Source, progress: Progress | None, heard: Heard | None
) -> Recording:
    """Record while a steady tone plays; an interruption keeps what has come in."""
    ear = _Ear(source, heard, begins_s=TRIM_S + DELAY_S)
    try:
        recording = _play(
            check, source, make_tone_programme(source), "loop", progress=progress, ear=ear
        )
    except KeyboardInterrupt:
        if ear.n_frames < LEAST_S * RATE_HZ:
            raise
        return ear.join()
    first, last = round(TRIM_S * RATE_HZ), round((source.seconds - TRIM_S) * RATE_HZ)
    return recording.replace(samples=recording.samples[first:last])


def make_scene(
    kind: CheckKind, words: str, seed: int, options: Any, programme: Programme | None
) -> Recording:
    """Recording of a made scene, which may answer what is played to it."""
    if kind.make_programme is None:
        return load_scene(kind.name).make_recording(words, seed)
    from voicecheck.bench.simulated.scene import Drive

    holds = programme.blocks_of("hold") if programme is not None else ()
    drive = Drive(
        samples=np.zeros(0) if programme is None else programme.samples,
        rate_hz=RATE_HZ,
        part=options.part,
        resistor_ohm=options.resistor_ohm,
        reference_ohm=options.reference_ohm or options.resistor_ohm,
        hold_s=(holds[0].start_s, holds[0].end_s) if holds else (0.0, 0.0),
    )
    return load_scene(kind.name).make_recording(words, seed, drive)


def make_tone_programme(source: Source) -> Programme:
    """
    A steady tone with soft ends, as a programme without marks.

    Parameters
    ----------
    source : Source

    Returns
    -------
    Programme

    Examples
    --------
    >>> programme = make_tone_programme(Source(bench="x", tone_hz=1000.0, seconds=2.0))
    >>> round(float(abs(programme.samples).max()), 4)
    0.0316
    """
    n_samples = round(source.seconds * RATE_HZ)
    time_s = np.arange(n_samples) / RATE_HZ
    near_end_s = np.minimum(time_s, time_s[::-1])
    fade: Array = 0.5 - 0.5 * np.cos(np.pi * np.clip(near_end_s / FADE_S, 0.0, 1.0))
    amplitude = ratio_from_db(source.level_dbfs)
    samples = amplitude * fade * np.sin(2.0 * np.pi * (source.tone_hz or 0.0) * time_s)
    recipe = Recipe(rate_hz=RATE_HZ, level_dbfs=source.level_dbfs, cap_dbfs=MOST_TONE_DBFS)
    return Programme(recipe=recipe, blocks=(), samples=samples)


def make_speech_programme(file: str | Path, level_dbfs: float) -> Programme:
    """
    Speech of a file at an active level (ITU-T P.56), as a programme without marks.

    Parameters
    ----------
    file : path
    level_dbfs : float
        Active level re a full-scale sine; lowered where a peak would pass the cap.

    Returns
    -------
    Programme

    Raises
    ------
    InputError
        No speech in the file, or longer than what may be recorded.
    RecordingError
        The file cannot be used.
    """
    from voicecheck.checkout.signals import resample
    from voicecheck.checkout.speak.measure import SINE_DB, estimate_active_level

    loaded = load_recording(file)
    if loaded.duration_s > MOST_S:
        raise InputError(f"{Path(file).name}: need {MOST_S:g} s or less of speech")
    samples = resample(loaded.samples, loaded.rate_hz, RATE_HZ)
    active_db = estimate_active_level(samples, RATE_HZ).active_db
    if active_db is None:
        raise InputError(f"{Path(file).name}: no speech in it; choose another file")
    gain = ratio_from_db(level_dbfs - active_db - float(SINE_DB))
    peak = float(np.max(np.abs(samples)))
    samples = samples * min(gain, ratio_from_db(MOST_TONE_DBFS) / peak)
    recipe = Recipe(rate_hz=RATE_HZ, level_dbfs=level_dbfs, cap_dbfs=MOST_TONE_DBFS)
    return Programme(recipe=recipe, blocks=(), samples=samples)


class _Ear:
    """
    Collects what comes in, and shows it to somebody now and then.

    Parameters
    ----------
    source : Source
    heard : callable or None
    begins_s : float
        What came in earlier, from the first frame of a sound that is played, is left out.
    """

    def __init__(self, source: Source, heard: Heard | None, *, begins_s: float = 0.0) -> None:
        self._source, self._heard, self._begins_s = source, heard, begins_s
        self._restart()

    def _restart(self) -> None:
        self._blocks: list[Array] = []
        self.n_frames, self._due = 0, round(LOOK_EVERY_S * RATE_HZ)
        self._reached_s = -np.inf

    def hear(self, block: Array, start_s: float) -> None:
        """Take in a block of a take, shape (n_frames, n_inputs); each take begins anew."""
        if start_s < self._reached_s:
            self._restart()
        self._reached_s = start_s
        n_early = round((self._begins_s - start_s) * RATE_HZ)
        self.add(block[max(0, n_early) :, 0])

    def add(self, samples: Array) -> None:
        """Take in what came next, shape (n_frames,)."""
        self._blocks.append(samples)
        self.n_frames += len(samples)
        if self._heard is None or self.n_frames < self._due:
            return
        began_s = time.monotonic()
        self._heard(self.join())
        wait_s = max(LOOK_EVERY_S, LOOK_SHARE * (time.monotonic() - began_s))
        self._due = self.n_frames + round(wait_s * RATE_HZ)

    def join(self) -> Recording:
        """All that was taken in."""
        return Recording(
            samples=np.concatenate(self._blocks) if self._blocks else np.zeros(0),
            rate_hz=RATE_HZ,
            channel=self._source.channel,
            conditions=Conditions(path="loop", bench=self._source.bench or ""),
        )


def _play(
    check: str,
    source: Source,
    programme: Programme,
    path: str,
    *,
    progress: Progress | None,
    ear: _Ear | None = None,
    is_pair: bool = False,
) -> Recording:
    from voicecheck.bench.soundcard import SoundCardBench

    bench = SoundCardBench(
        source.bench,
        output_channel=source.out_channel,
        input_channel=source.channel,
        second_channel=(source.second_channel or source.channel + 1) if is_pair else None,
        cap_dbfs=programme.recipe.cap_dbfs,
        progress=progress,
        hear=ear.hear if ear else None,
    )
    with hold_bench(bench, f"check, {check}"):
        return bench.play_and_record(programme, path=path)


def _listen(source: Source, progress: Progress | None, heard: Heard | None) -> Recording:
    """Record for a while and play nothing; an interruption ends it early and keeps what came."""
    from voicecheck.bench.soundcard import Wiring, listen

    wiring = Wiring(name=source.bench or "", device=source.bench or None, inputs=(source.channel,))
    wanted = round(source.seconds * RATE_HZ)
    ear = _Ear(source, heard)
    stream = listen(wiring, RATE_HZ)
    try:
        for block in stream:
            ear.add(block[:, 0])
            if progress is not None:
                progress(min(ear.n_frames / wanted, 1.0), _find_peak_dbfs(block[:, 0]))
            if ear.n_frames >= wanted:
                break
    except KeyboardInterrupt:
        if ear.n_frames < LEAST_S * RATE_HZ:
            raise
    finally:
        close: Callable[[], None] | None = getattr(stream, "close", None)
        if close is not None:
            close()
    return ear.join()


def _find_peak_dbfs(samples: Array) -> float | None:
    """Peak of a block; `None` where nothing has come in since the last one."""
    return db_from_ratio(float(np.max(np.abs(samples)))) if len(samples) else None


def get_take_length(seconds: float) -> tuple[float, float]:
    """
    Lead before the sound and length of a whole take with a tone, seconds.

    Examples
    --------
    >>> lead_s, whole_s = get_take_length(30.0)
    >>> whole_s > 30.0 + lead_s
    True
    """
    from voicecheck.bench.soundcard import takes

    return takes.LEAD_S, takes.LEAD_S + seconds + takes.TAIL_S
