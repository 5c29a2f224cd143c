"""A trial in words: outcome, what it rests on, and what it says for and against causes."""

from __future__ import annotations

from voicecheck.records import Trial, TrialEvidence
from voicecheck.verdicts.faults import load_fault_table
from voicecheck.verdicts.trials import get_trial
from voicecheck.words import Words, load_words
from voicecheck.workflow.told import say_stage_name
from voicecheck.workflow.trials import StoredTrial

MOST_EVIDENCE, TELLING_RATIO = 4, 1.5
FIGURES = {
    "gain_db": "gained by the rap {:.1f} dB",
    "gain_limit_db": "needed {:.1f} dB",
    "seat_sd_db": "seats differ by {:.1f} dB",
    "quiet_events": "{:.0f} bursts in silence",
    "sounding_events": "{:.0f} under a tone",
    "resistor_events": "{:.0f} with a resistor in the element's place",
    "slope_db_per_db": "{:.2f} dB for each dB of current",
    "drop_db": "{:.1f} dB from 20 to 30 mA",
    "current_ratio": "current {:.2f} of what was set",
    "thd_change_db": "distortion {:+.1f} dB from the lowest to the highest current",
    "change_db": "own voice changes by {:.1f} dB",
    "element_share": "{:.0%} of the difference goes with the element",
    "set_share": "{:.0%} stays with the set",
    "drift_db": "level {:+.1f} dB over the call",
    "current_drift_db": "current {:+.1f} dB",
    "damped_by_db": "the finger takes off {:.1f} dB",
}
"""What is told of the figures, in this order."""


def say_outcome(trial: Trial, words: Words | None = None) -> str:
    """What an outcome means, and what to do next."""
    text = get_trial(trial.name).outcomes[trial.outcome]
    return (words or load_words()).say_own("trial", f"{trial.name}_{trial.outcome}", text)


def say_figures(trial: Trial) -> str:
    """What the outcome rests on, in one line."""
    told = (
        form.format(value)
        for name, form in FIGURES.items()
        if (value := trial.figures.get(name)) is not None
    )
    return ", ".join(told)


def say_evidence(trial: Trial) -> tuple[str, ...]:
    """For and against which causes it speaks, how strongly, and where that comes from."""
    causes = {row.code: row.symptom for row in load_fault_table().rows}
    found = [f"{_say_ratio(one.ratio)} {causes.get(one.code, one.code)}" for one in _choose(trial)]
    if not found:
        return ()
    source = trial.evidence[0].source
    return (f"Evidence: {'; '.join(found)}.", f"Counted on {source}.")


def _choose(trial: Trial) -> list[TrialEvidence]:
    """What it speaks for, and what it speaks against of the causes that it is made to separate."""
    named = get_trial(trial.name).separates
    told = [
        one
        for one in trial.evidence
        if one.ratio >= TELLING_RATIO or (one.code in named and one.ratio <= 1.0 / TELLING_RATIO)
    ]
    return sorted(told, key=lambda one: (one.ratio < 1.0, one.code not in named))[:MOST_EVIDENCE]


def _say_ratio(ratio: float) -> str:
    return f"{ratio:.1f} times for" if ratio >= 1.0 else f"{1.0 / ratio:.1f} times against"


def say_in_report(stored: StoredTrial, words: Words) -> str:
    """One trial as the bench's pages of a report have it."""
    figures = say_figures(stored.trial)
    return words.say(
        "report",
        "trial",
        stage=say_stage_name(stored.stage, words),
        told=say_outcome(stored.trial, words),
        rests=words.say("report", "trial_rests", figures=figures) if figures else "",
    ).rstrip()


def say_trial(trial: Trial) -> tuple[str, ...]:
    """All of it, line by line."""
    kind = get_trial(trial.name)
    figures = say_figures(trial)
    rest = f"It rests on: {figures}." if figures else ""
    lines = (f"{kind.title}: {say_outcome(trial)}", rest, *say_evidence(trial))
    return tuple(line for line in lines if line)
