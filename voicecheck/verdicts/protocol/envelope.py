"""
What a friend hides, under a hash: nobody can change it after the rounds, nor read it before.

An envelope is a small JSON file with one word for each round ("none" where nothing is done) and a
long random number, without which ten short words could be guessed from their hash. The hash goes
into the book before the first round; the file stays with the friend.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from voicecheck.errors import InputError

SCHEMA = "voicecheck.protocol-envelope/1"
NOTHING = "none"
RISK = 0.05
LONGEST, LONGEST_WORD = 20_000, 60
SALT_LETTERS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class _Envelope:
    schema: str
    plants: tuple[str, ...]
    salt: str


def seal(plants: Sequence[str], salt: str, *, n_rounds: int) -> tuple[bytes, str]:
    """
    The envelope of a friend's list, and its hash.

    Parameters
    ----------
    plants : sequence of str
        What is done in each round; "none" for nothing.
    salt : str
        32 letters or more that nobody can guess.
    n_rounds : int

    Returns
    -------
    content : bytes
    digest : str
        SHA-256, 64 letters.

    Raises
    ------
    InputError
        Not one word for each round, or a word that is empty or too long.
    """
    words = tuple(" ".join(one.split()) for one in plants)
    if len(words) != n_rounds:
        raise InputError(
            f"envelope: need {n_rounds} entries, one for each round, got {len(words)}; "
            f"write {NOTHING!r} for a round in which nothing is done; nothing was kept"
        )
    if not all(0 < len(one) <= LONGEST_WORD for one in words):
        raise InputError(
            f"envelope: each entry needs 1 to {LONGEST_WORD} letters; nothing was kept"
        )
    if len(salt) < SALT_LETTERS:
        message = f"salt: need {SALT_LETTERS} letters"
        raise ValueError(message)
    document = {"schema": SCHEMA, "plants": list(words), "salt": salt}
    content = json.dumps(document, indent=2).encode()
    return content, hashlib.sha256(content).hexdigest()


def unseal(content: bytes, digest: str, *, n_rounds: int) -> tuple[str, ...]:
    """
    What was hidden, if this is the envelope that was closed then.

    Parameters
    ----------
    content : bytes
        Of the file.
    digest : str
        As the book kept it.
    n_rounds : int

    Raises
    ------
    InputError
        Another file, a changed one, or none of this kind.
    """
    if len(content) > LONGEST or hashlib.sha256(content).hexdigest() != digest:
        raise InputError(
            "envelope: this is not the file that was closed before the rounds, or it was changed "
            "since; its hash is another one; nothing was opened, look for the right file"
        )
    try:
        found = msgspec.json.decode(content, type=_Envelope)
    except msgspec.MsgspecError as error:
        raise InputError(f"envelope: no envelope of this program ({error})") from error
    if len(found.plants) != n_rounds:
        raise InputError(f"envelope: need {n_rounds} entries, got {len(found.plants)}")
    return found.plants


def is_planted(plant: str) -> bool:
    """
    Whether something was done in a round.

    Examples
    --------
    >>> is_planted("None"), is_planted("tape over the mouthpiece")
    (False, True)
    """
    return plant.strip().casefold() != NOTHING


def bound_share(n_hits: int, n: int) -> tuple[float, float]:
    """
    Exact two-sided 95 % interval of a share, 0 to 1, from a count.

    Parameters
    ----------
    n_hits, n : int
        `n` 0 tells nothing: 0 to 1.

    Notes
    -----
    Source: Clopper and Pearson, Biometrika 26 (1934) 404, by the quantiles of the beta
    distribution.

    Examples
    --------
    >>> [round(bound, 4) for bound in bound_share(10, 10)]
    [0.6915, 1.0]
    """
    from scipy.special import betaincinv

    low = float(betaincinv(n_hits, n - n_hits + 1, RISK / 2.0)) if n_hits else 0.0
    high = float(betaincinv(n_hits + 1, n - n_hits, 1.0 - RISK / 2.0)) if n_hits < n else 1.0
    return low, high
