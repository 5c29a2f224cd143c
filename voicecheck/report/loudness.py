"""A difference of level in words that an ear understands."""

from __future__ import annotations

from voicecheck.words import Words

HEARD_FROM_DB = 1.5
"""A smaller difference is none that one would hear (common practice, no source)."""
STEPS = (
    (HEARD_FROM_DB, "same"),
    (4.2, "slight"),
    (7.9, "one_and_a_half"),
    (12.9, "two"),
    (17.9, "three"),
    (25.0, "four"),
)
"""Upper end of each step, dB: halfway, as a ratio, between the loudness that its words name."""


def find_loudness_step(change_db: float) -> str:
    """
    Which words fit a difference of level: each 10 dB doubles or halves the loudness.

    Parameters
    ----------
    change_db : float

    Returns
    -------
    str
        "same", or a step with "_up" or "_down" behind it.

    Notes
    -----
    Source: Stevens' rule as in ISO 131 (PUB-2ND): a ratio of loudness of 2 for 10 dB.

    Examples
    --------
    >>> find_loudness_step(-10.0), find_loudness_step(6.0), find_loudness_step(0.9)
    ('two_down', 'one_and_a_half_up', 'same')
    """
    step = next((name for end_db, name in STEPS if abs(change_db) < end_db), "many")
    return step if step == "same" else f"{step}_{'up' if change_db > 0.0 else 'down'}"


def say_loudness(change_db: float, what: str, words: Words) -> str:
    """
    How loud something is against something else, as a phrase.

    Parameters
    ----------
    change_db : float
    what : str
        A key of the section `loudness_against`.
    words : Words

    Examples
    --------
    >>> from voicecheck.words import load_words
    >>> say_loudness(-10.0, "should", load_words("en"))
    'about half as loud as it should be'
    """
    against = words.say("loudness_against", what)
    return words.say("loudness", find_loudness_step(change_db), what=against)
