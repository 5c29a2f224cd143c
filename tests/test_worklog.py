"""The work log says what was done as people say it, whatever the book calls it."""

import pytest

from voicecheck.records import Event
from voicecheck.words import load_words
from voicecheck.workflow.worklog import say_event


@pytest.mark.parametrize(
    ("kind", "text", "said"),
    [
        ("run", "sidetone, after", "swept own voice, after the work"),
        ("run", "transmit, second element", "swept talks, second element"),
        ("run", "loop, before", "swept bench check, as found"),
        ("stage", "the work is done", "the work is done"),
        (
            "compared", "after against before: outside",
            "compared after the work with as found: changed",
        ),
        (
            "compared", "after against before: changed",
            "compared after the work with as found: changed",
        ),
        (
            "compared", "before against Lakeside 4: outside",
            "compared as found with Lakeside 4: outside",
        ),
        (
            "moved", "run-3 (receive, before) to after: wrong stage: mine",
            "moved hears, as found, to after the work: wrong stage: mine",
        ),
        ("moved", "check-3 (dial) to after: late", "moved dial, to after the work: late"),
        ("put aside", "run-3 (receive, before): a door", "put aside hears, as found: a door"),
        ("brought back", "check-3 (bell): it was right", "brought back bell: it was right"),
        ("cause", "F03: packed carbon", "cause packed carbon"),
        ("note", "run transmit, after", "note run transmit, after"),
        ("moved", "as an older book has it", "moved as an older book has it"),
    ],
)  # fmt: skip
def test_a_line_speaks_of_talks_and_hears_and_of_the_work(kind: str, text: str, said: str) -> None:
    event = Event(at_utc="2031-04-02T09:30:00Z", kind=kind, text=text)
    assert " ".join(say_event(event, load_words())).strip() == said
