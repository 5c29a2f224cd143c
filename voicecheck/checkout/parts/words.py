"""What a part showed, in a line, in tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecheck.checkout.kinds import NOT_KNOWN, Shown, Table

if TYPE_CHECKING:
    from voicecheck.records.parts import PartFigure, PartsCheck

NAMES: dict[str, tuple[str, str]] = {
    "impedance_1khz_ohm": ("impedance at 1 kHz", "ohm"),
    "angle_1khz_deg": ("its angle", "degrees"),
    "return_loss_db": ("return loss, 300 to 3400 Hz", "dB"),
    "worst_return_loss_db": ("return loss at its worst", "dB"),
    "motional_ohm": ("motion of the diaphragm", "ohm"),
    "motional_percent": ("diaphragm's motion re its winding", "%"),
    "quality": ("its quality", ""),
    "resonance_hz": ("resonance", "Hz"),
    "capacitance_uf": ("capacitance", "uF"),
    "loss_tangent": ("loss tangent at 1 kHz", ""),
    "series_resistance_ohm": ("series resistance", "ohm"),
    "resistance_ohm": ("resistance", "ohm"),
    "inductance_h": ("inductance", "H"),
    "impedance_20hz_ohm": ("impedance at 20 Hz", "ohm"),
    "highest_ohm": ("highest while moved", "ohm"),
    "impedance_ohm": ("impedance at low level", "ohm"),
    "onset_dbfs": ("begins to limit at", "dBFS"),
    "onset_v": ("begins to limit at", "V peak"),
    "asymmetry_db": ("upper over lower side", "dB"),
    "feed_ma": ("feed current", "mA"),
    "feed_ma_at_1v_full_scale": ("feed current if full scale is 1 V", "mA"),
}
"""Each figure's name and unit."""
FIRST = {
    "set": ("impedance_1khz_ohm", "return_loss_db"),
    "receiver": ("impedance_1khz_ohm", "motional_percent"),
    "capacitor": ("capacitance_uf", "loss_tangent"),
    "bell": ("resonance_hz", "resistance_ohm", "capacitance_uf"),
    "contact": ("resistance_ohm", "highest_ohm"),
    "feed": ("feed_ma",),
    "limiter": ("onset_v", "onset_dbfs", "asymmetry_db"),
}
"""What is said of a part in one line."""


def say_figure(figure: PartFigure) -> str:
    """
    A figure to the digit that its interval allows.

    Examples
    --------
    >>> from voicecheck.records.parts import PartFigure
    >>> say_figure(PartFigure(value=0.46912, uncertainty=0.0031))
    '0.4691 +/- 0.0031'
    >>> say_figure(PartFigure(value=None))
    '-'
    """
    if figure.value is None:
        return NOT_KNOWN
    if not figure.uncertainty:
        return f"{figure.value:.3g}"
    digits = max(0, 1 - int(f"{2.0 * figure.uncertainty:e}".partition("e")[2]))
    return f"{figure.value:.{digits}f} +/- {figure.uncertainty:.{digits}f}"


def describe_parts(check: PartsCheck) -> str:
    """In one line."""
    told = []
    for name in FIRST[check.part]:
        figure = check.figures.get(name)
        if figure is not None and figure.value is not None:
            words, unit = NAMES[name]
            told.append(f"{words} {say_figure(figure)} {unit}".rstrip())
    told += [one.partition(":")[0] for one in check.causes]
    if check.events:
        told.append(f"{len(check.events)} events while moved")
    line = ", ".join(told) if told else "no figure could be stated"
    return line if line.startswith(check.part) else f"{check.part}: {line}"


def tabulate_parts(check: PartsCheck) -> tuple[Shown, ...]:
    """Every figure, the causes, the curve, the events."""
    rows = tuple(
        (NAMES[name][0], f"{say_figure(one)} {NAMES[name][1]}".rstrip(), _say_rows(check, name))
        for name, one in check.figures.items()
    )
    shown: list[Shown] = [*check.notes, *check.causes]
    heads = ("figure", "value", "mostly from")
    shown.append(Table(name="figures", heads=heads, rows=rows or ((NOT_KNOWN,) * 3,)))
    if check.events:
        events = tuple(
            (one.kind, f"{one.at_s:.2f}", f"{one.duration_ms:.0f} ms", f"{one.depth_db:+.1f}")
            for one in check.events
        )
        heads4 = ("event", "at, s", "lasts", "current, dB")
        shown.append(Table(name="events", heads=heads4, rows=events))
    if check.frequency_hz:
        shown.append(_tabulate_curve(check))
    return tuple(shown)


def _tabulate_curve(check: PartsCheck) -> Table:
    """Some ten of the points."""
    step = max(1, len(check.frequency_hz) // 10)
    rows = []
    for place in range(0, len(check.frequency_hz), step):
        real, imag = check.impedance_ohm[place]
        width = check.uncertainty_ohm[place]
        told = NOT_KNOWN if width is None else f"{width:.3g}"
        rows.append((f"{check.frequency_hz[place]:g}", f"{real:.4g}", f"{imag:.4g}", told))
    heads = ("Hz", "resistance, ohm", "reactance, ohm", "+/- ohm")
    return Table(name="impedance", heads=heads, rows=tuple(rows))


def _say_rows(check: PartsCheck, name: str) -> str:
    """What most of an uncertainty is made of."""
    rows = sorted(check.budget.get(name, ()), key=lambda one: one.half_width, reverse=True)
    return ", ".join(one.name for one in rows[:2]) or NOT_KNOWN
