"""
What a recording really is: which programme, which take of it, what else arrived.

A recording is believed only as far as it says itself: the bursts before its marks say which
programme it answers, every pair of marks is a take, and what follows a mark closely is an echo.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck import inspection
from voicecheck.errors import InputError, RecordingError
from voicecheck.inspection import Arrivals
from voicecheck.programme import (
    DEFAULT_RECIPE,
    Identity,
    decode_identity,
    find_recipe,
    guess_recipe,
    has_identity,
    identify,
    make_programme,
    read_burst,
)
from voicecheck.records import Problem, Programme, Recipe, Recording, Timeline

LEAST_RATE_HZ = 16000
"""The points go up to 4000 Hz, and a recorder's own filter begins below half of its rate."""
MOST_LOST_S = 0.3
"""Buffers of sound cards are shorter; more between the marks is an edited or another programme."""
NOT_IDENTIFIED = "programme not identified: its marks say nothing of which one it is"


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """
    The programme that was played, where its take lies, and what was found on the way.

    Where only its identity tells of it, its level may be off by `level_doubt_db`. `echoes` are
    delays in seconds and levels in dB against the direct sound.
    """

    programme: Programme
    timeline: Timeline
    level_doubt_db: float = 0.0
    echoes: tuple[tuple[float, float], ...] = ()
    problems: tuple[Problem, ...] = ()
    steps: tuple[str, ...] = ()


def take_in(
    programme: Programme,
    recording: Recording,
    *,
    known: Sequence[Recipe] = (),
    take: int | None = None,
) -> Intake:
    """
    Find the programme in a recording, and make sure that it is that programme.

    Parameters
    ----------
    programme : Programme
        What is said to have been played.
    recording : Recording
        At any rate from 16 kHz on.
    known : sequence of Recipe
        What may have been played instead, beside the programmes on offer.
    take : int, optional
        Which of several takes, from 1; the strongest if not given.

    Returns
    -------
    Intake

    Raises
    ------
    InputError
        There is no such take.
    RecordingError
        It cannot be used: silent, another programme that cannot be had, a wrong rate, cut off.
    """
    if recording.rate_hz < LEAST_RATE_HZ:
        message = (
            f"the recording was made at {recording.rate_hz} Hz, which cannot hold the voice band; "
            f"record at {programme.rate_hz} Hz, or make a programme with --rate {programme.rate_hz}"
        )
        raise RecordingError(message, "wrong-rate")
    try:
        arrivals = inspection.find_arrivals(programme, recording)
    except RecordingError as error:
        if error.kind == "no-signal":
            raise
        found = _find_other(programme, recording, known, error)
        if found is None:
            raise
        other, doubt_db = found
        return _accept(_take_part(other, recording, take), programme, doubt_db)
    here = _take_part(programme, recording, take, arrivals)
    return _check_identity(programme, recording, here, known=known, take=take)


def _take_part(
    programme: Programme, recording: Recording, take: int | None, arrivals: Arrivals | None = None
) -> Intake:
    """One take of a programme, and what is said of the others and of echoes."""
    found = arrivals or inspection.find_arrivals(programme, recording)
    n_takes = len(found.takes)
    if take is not None and not 1 <= take <= n_takes:
        raise InputError(f"take: the recording holds {n_takes}, got {take}")
    index = found.best if take is None else take - 1
    pair = found.takes[index]
    problems = _tell_other_takes(found, index, is_asked_for=take is not None)
    problems += [
        Problem(
            kind="echo",
            at_s=pair.opening_s + later_s,
            message=f"the opening mark is heard again {abs(1000.0 * later_s):.0f} ms "
            f"{'later' if later_s > 0 else 'earlier'}, {down_db:+.1f} dB against it: an echo, or "
            "a second loudspeaker or line",
            effect="it lies over the silences and the steps: all figures but the curve are "
            "withheld; find the second way of the sound, or mute it, and record again",
        )
        for later_s, down_db in found.echoes[index]
    ]
    return Intake(
        programme=programme,
        timeline=inspection.place_take(programme, recording, pair),
        problems=tuple(problems),
        echoes=found.echoes[index],
    )


def _tell_other_takes(found: Arrivals, index: int, *, is_asked_for: bool) -> list[Problem]:
    """One problem that names all takes but the one used; none where there is no other."""
    pair = found.takes[index]
    others = [(number, one) for number, one in enumerate(found.takes) if number != index]
    if not others:
        return []
    named = [
        f"take {number + 1} at {one.opening_s:.2f} s ({one.level_db - pair.level_db:+.1f} dB)"
        for number, one in others
    ]
    chosen = "the one asked for" if is_asked_for else "the strongest"
    return [
        Problem(
            kind="several-takes",
            at_s=others[0][1].opening_s,
            message=f"the recording holds {len(found.takes)} takes: beside take {index + 1} at "
            f"{pair.opening_s:.2f} s also {', '.join(named)}",
            effect=f"take {index + 1}, {chosen}, is used; --take N chooses",
        )
    ]


def _check_identity(
    programme: Programme,
    recording: Recording,
    here: Intake,
    *,
    known: Sequence[Recipe],
    take: int | None,
) -> Intake:
    """The take as it is, or that of the programme that its marks name instead."""
    bursts = programme.blocks_of("identity")
    if not bursts:
        return dataclasses.replace(here, steps=(NOT_IDENTIFIED,))
    timeline = here.timeline
    contrast = np.mean(
        [
            read_burst(
                recording.samples,
                recording.rate_hz,
                timeline.locate_s(block.start_s),
                programme.recipe.identity_s * timeline.stretch,
            )
            for block in bursts
        ],
        axis=0,
    )
    if has_identity(contrast, programme.recipe):
        return here
    identity = decode_identity(contrast, (programme.recipe, *known))
    if identity == identify(programme.recipe):
        return here
    if identity is None:
        problem = Problem(
            kind="not-identified",
            message=NOT_IDENTIFIED,
            effect="level and curve are right only if the programme given is the one played",
        )
        return dataclasses.replace(here, problems=(*here.problems, problem))
    other, doubt_db = _make_named(identity, known)
    return _accept(_take_part(other, recording, take), programme, doubt_db)


def _find_other(
    programme: Programme,
    recording: Recording,
    known: Sequence[Recipe],
    error: RecordingError,
) -> tuple[Programme, float] | None:
    """The programme whose marks do not fit the one given, and what its level may be off by."""
    _check_header(programme, recording)
    marks_s = inspection.find_marks(programme, recording)
    length_s = DEFAULT_RECIPE.identity_s
    # Any programme with an identity has it as long, and as long before its marks, as those on
    # offer.
    before_s = length_s + 0.5 * DEFAULT_RECIPE.gap_s
    contrasts = [
        read_burst(recording.samples, recording.rate_hz, at_s - before_s, length_s)
        for at_s in marks_s
    ]
    if not contrasts:
        return None
    means = [np.mean(contrasts, axis=0), *contrasts]
    identity = next((one for one in (decode_identity(mean, known) for mean in means) if one), None)
    if identity is None:
        return None
    if identity == identify(programme.recipe):
        raise _explain_cut(programme, marks_s, error)
    return _make_named(identity, known)


def _make_named(identity: Identity, known: Sequence[Recipe]) -> tuple[Programme, float]:
    """The programme of an identity, and how far its level may be off in dB."""
    recipe, doubt_db = find_recipe(identity, known), 0.0
    if recipe is None:
        guessed = guess_recipe(identity)
        if guessed is None:
            raise _refuse(identity)
        recipe, doubt_db = guessed
    return make_programme(recipe), doubt_db


def _accept(found: Intake, given: Programme, level_doubt_db: float) -> Intake:
    """The take of another programme than the one given, which is said."""
    unsure = f"; its level is known to {level_doubt_db:.2g} dB" if level_doubt_db else ""
    problem = Problem(
        kind="other-programme",
        message=f"this is {identify(found.programme.recipe).describe()}; the programme given was "
        f"{identify(given.recipe).describe()}",
        effect=f"it is analysed as what it is{unsure}; give the programme file that was played",
    )
    return dataclasses.replace(
        found, problems=(problem, *found.problems), level_doubt_db=level_doubt_db
    )


def _refuse(identity: Identity) -> RecordingError:
    message = (
        f"this is a recording of another programme: {identity.describe()}; "
        "give the programme file that was played"
    )
    return RecordingError(message, "wrong-programme")


def _explain_cut(
    programme: Programme, marks_s: Sequence[float], error: RecordingError
) -> RecordingError:
    """The programme is the right one, but its marks are not as far apart as they were played."""
    opening, closing = programme.blocks_of("mark")
    if len(marks_s) != 2:
        return error
    lost_s = (closing.start_s - opening.start_s) - (marks_s[1] - marks_s[0])
    if abs(lost_s) > MOST_LOST_S:
        return error
    message = (
        f"about {1000.0 * abs(lost_s):.0f} ms were "
        f"{'lost' if lost_s > 0 else 'recorded twice'} between the marks, too much to be mended; "
        "close other programs that use sound, then record again"
    )
    return RecordingError(message, "lost-samples" if lost_s > 0 else "repeated-samples")


def _check_header(programme: Programme, recording: Recording) -> None:
    """Refuse a file whose header names another rate than the one its samples were taken at."""
    if recording.rate_hz == programme.rate_hz:
        return
    try:
        inspection.find_arrivals(programme, recording.replace(rate_hz=programme.rate_hz))
    except RecordingError:
        return
    message = (
        f"the file says {recording.rate_hz} Hz, but its sound was recorded at "
        f"{programme.rate_hz} Hz; record at {programme.rate_hz} Hz and do not convert in between, "
        f"or make a programme with --rate {recording.rate_hz}"
    )
    raise RecordingError(message, "wrong-rate")
