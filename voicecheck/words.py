"""The words of one language: sentences, numbers and dates as people read them."""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from voicecheck.errors import InputError

if TYPE_CHECKING:
    from babel import Locale

WORDS_FOLDER = Path(__file__).parent / "data" / "words"
FALLBACK = "en"
LETTER_TERRITORIES = frozenset(
    ["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"]
)
"""Where paper is Letter; A4 elsewhere (CLDR, supplemental data, paperSize)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """
    Sentences of one language, by section and key.

    Parameters
    ----------
    code : str
        Language tag as in a page's `lang` attribute, with a territory or without.
    sections : mapping of str to mapping of str to str
    """

    code: str
    sections: Mapping[str, Mapping[str, str]]

    def has(self, section: str, key: str) -> bool:
        """Whether the language has a sentence of its own for this."""
        return key in self.sections.get(section, {})

    def say(self, section: str, key: str, **values: object) -> str:
        """
        One sentence, filled in.

        Parameters
        ----------
        section, key : str
            A key that no language knows is said as it is, its underscores as blanks: names
            given by users and quantities of a later version arrive here.
        **values : object
            Put in place of the names in braces.
        """
        sentence = self.sections.get(section, {}).get(key)
        if sentence is None:
            return key.replace("_", " ")
        return sentence.format(**values) if values else sentence

    def say_own(self, section: str, key: str, text: str) -> str:
        """The language's sentence where it has one, else the text that there is."""
        return self.say(section, key) if self.has(section, key) else text

    def count(self, section: str, key: str, n: int, **values: object) -> str:
        """
        A sentence about a number of things, in the plural form that the language asks for.

        Parameters
        ----------
        section, key : str
            The sentence stands under the key and a form of CLDR, as `more_one`, `more_other`; where
            the number makes no difference, under the key alone.
        n : int
        **values : object
        """
        forms = (f"{key}_{self._locale.plural_form(n)}", f"{key}_other")
        chosen = next((form for form in forms if self.has(section, form)), key)
        return self.say(section, chosen, n=self.number(n, 0), **values)

    @property
    def paper(self) -> str:
        """What paper the language's territory prints on: "A4" or "Letter"."""
        return "Letter" if find_territory(self.code) in LETTER_TERRITORIES else "A4"

    @property
    def is_proofed(self) -> bool:
        """Whether somebody who grew up with the language has read its sentences."""
        return self.say("language", "proofed") == "yes"

    @property
    def for_bench(self) -> Words:
        """The language of the pages for the bench: this one where its file has them, or English."""
        return load_words() if self.say("language", "bench") == FALLBACK else self

    @property
    def _locale(self) -> Locale:
        return _find_locale(self.code)

    def number(self, value: float | None, decimals: int = 1, *, sign: bool = False) -> str:
        """
        A number as it is written in this language, with a real minus sign.

        Parameters
        ----------
        value : float or None
            `None` and NaN are said to be withheld.
        decimals : int
        sign : bool
            Whether a plus is written.
        """
        if value is None or not math.isfinite(value):
            return self.say("chart", "withheld")
        text = f"{value:{'+' if sign else ''}.{decimals}f}"
        if float(text) == 0.0:
            text = text.lstrip("+-")
        return text.replace("-", "\u2212").replace(".", self.say("language", "decimal"))

    def chance(self, probability: float | None, confidence: str) -> str:
        """
        How probable a cause is, rounded to what a calibrated percentage is worth.

        Parameters
        ----------
        probability : float or None
            0 to 1; `None` in a book from before there were any.
        confidence : str
            Said in its place.

        Examples
        --------
        >>> load_words("en").chance(0.683, "high"), load_words("en").chance(0.01, "low")
        ('about 70 %', 'less than 5 %')
        """
        if probability is None:
            word = self.say("confidence", confidence)
            return self.say("chance", "stated", confidence=word)
        if not 0.025 <= probability <= 0.975:
            return self.say("chance", "least" if probability < 0.5 else "most")
        step = 10 if 0.2 < probability < 0.8 else 5
        return self.say("chance", "about", percent=step * round(100.0 * probability / step))

    def unexplained(self, left: Sequence[str]) -> str:
        """
        What a cause leaves open, path by path.

        Examples
        --------
        >>> load_words("en").unexplained(("receive.faint", "receive.distorted"))
        'hears too faint, distorted'
        """
        parts: dict[str, list[str]] = {}
        for one in left:
            path, _, how = one.partition(".")
            parts.setdefault(path, []).append(self.say_own("unexplained", how, how))
        return "; ".join(
            f"{self.say_own('unexplained', path, path)} {', '.join(how)}"
            for path, how in parts.items()
        )

    def date(self, time_utc: str | None) -> str | None:
        """Day of an ISO 8601 time as this language writes it; the text itself if it is none."""
        if not time_utc:
            return None
        try:
            moment = datetime.fromisoformat(time_utc)
        except ValueError:
            return time_utc
        from babel.dates import format_date

        return format_date(moment, self.say("language", "date"), locale=self._locale)


def find_territory(language: str) -> str:
    """
    The territory of a language tag; "" where it names none.

    Examples
    --------
    >>> find_territory("es-MX"), find_territory("es")
    ('MX', '')
    """
    return next((part for part in language.split("-")[1:] if len(part) == 2), "").upper()


@functools.cache
def _find_locale(code: str) -> Locale:
    """How a language writes dates and plurals; English for one that is not known."""
    from babel import Locale, UnknownLocaleError

    language = code.partition("-")[0].lower()
    for tag in (f"{language}_{find_territory(code)}", language):
        try:
            return Locale.parse(tag)
        except (UnknownLocaleError, ValueError):
            continue
    return Locale.parse(FALLBACK)


def name_languages(folder: Path = WORDS_FOLDER) -> dict[str, str]:
    """
    Each language by its tag, as those who speak it name it.

    Examples
    --------
    >>> name_languages()["nl"]
    'Nederlands'
    """
    files = sorted(folder.glob("*.toml"))
    return {file.stem: str(_read(file)["language"]["name"]) for file in files}


@functools.cache
def load_words(language: str = FALLBACK, folder: Path = WORDS_FOLDER) -> Words:
    """
    Words of a language; what its file leaves out is taken from the English one.

    Parameters
    ----------
    language : str
        Language tag, as "de" or "es-MX". A territory that has no file of its own takes the
        language's sentences and writes numbers and dates its own way.
    folder : Path
        Where the language files are.

    Returns
    -------
    Words

    Raises
    ------
    InputError
        There is no such language, or its file cannot be read; the message names those that exist.

    Examples
    --------
    >>> load_words("en").number(-3.14159, 2)
    '\u22123.14'
    """
    available = sorted(path.stem for path in folder.glob("*.toml"))
    own = next((tag for tag in (language, language.partition("-")[0]) if tag in available), None)
    if own is None or not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", language):
        raise InputError(f"language: need one of {', '.join(available)}, got {language[:20]!r}")
    sections = _read(WORDS_FOLDER / f"{FALLBACK}.toml")
    for name, table in _read(folder / f"{own}.toml").items():
        sections[name] = {**sections.get(name, {}), **table}
    if own != language:
        symbols = _find_locale(language).number_symbols
        sections["language"]["decimal"] = symbols.get("latn", symbols)["decimal"]
    frozen = {name: MappingProxyType(table) for name, table in sections.items()}
    return Words(code=language, sections=MappingProxyType(frozen))


def _read(path: Path) -> dict[str, dict[str, Any]]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"language file {path.name}: {error}; correct it or use en") from error
