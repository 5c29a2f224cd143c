"""A take of a part between a resistor and two inputs -> impedance, figures and causes."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from voicecheck.checkout.limits import judge
from voicecheck.checkout.line.impedances import compute_return_loss_db, load_impedance
from voicecheck.checkout.parts import current, figures, flaws, moving
from voicecheck.checkout.parts.causes import list_causes
from voicecheck.checkout.parts.lockin import Ratios, measure_ratios, place
from voicecheck.checkout.parts.options import PartsOptions
from voicecheck.checkout.parts.stimulus import CONTACT_HZ, PARTS_TONES_HZ
from voicecheck.checkout.parts.terminals import TWICE, Bench, Impedance, solve
from voicecheck.checkout.parts.words import NAMES
from voicecheck.errors import InputError
from voicecheck.records import Finding, NormalValue, Problem, Programme, Recording, Timeline
from voicecheck.records.parts import PartFigure, PartRow, PartsCheck

WIDEST = 0.5
"""Half-width re the impedance beyond which none is stated (PROP; why: `tests/bench/parts.md`)."""
LEAKAGE = "leakage is not to be had with 1 V: it is typed in from a meter made for it (line)"
NOT_RINGING = (
    "a bell circuit at 1 V, not a ringer equivalence: iron and armature are others at 40 to 130 V"
)
Budget = dict[str, tuple[PartRow, ...]]


def measure_parts(recording: Recording, options: PartsOptions) -> PartsCheck:
    """
    What a part is.

    Parameters
    ----------
    recording : Recording
        Two channels, 1 before the resistor and 2 across the part; of the feed the one across the
        resistor.
    options : PartsOptions
        With what its files hold.

    Returns
    -------
    PartsCheck

    Raises
    ------
    InputError
        The resistor or the stimulus was not given.
    RecordingError
        Too short, silent, one channel only, or not of this stimulus.
    """
    if options.resistor_ohm is None:
        raise InputError("resistor_ohm: type the value of the resistor (--resistor-ohm)")
    if options.part == "feed":
        return _measure_feed(recording, options, options.resistor_ohm)
    if options.loaded.programme is None:
        raise InputError(
            "signal: need the stimulus that was played (--signal OUT.wav), the file that "
            "the signal command wrote with --kind parts"
        )
    take = _Take.open(recording, options, options.loaded.programme)
    stopped = [*flaws.find_clipping(recording), *take.leads]
    if not stopped and options.part != "limiter":
        stopped += flaws.find_bending(take.programme, recording, take.timeline)
    hum = flaws.find_hum(take.programme, recording, take.timeline, take.ratios)
    stated = flaws.find_stated_resistor(take.bench)
    told = (*recording.problems, *stopped, *hum, *stated)
    if stopped:
        return PartsCheck(part=options.part, resistor_ohm=options.resistor_ohm, problems=told)
    check = _MEASURES.get(options.part, _measure_curve)(take, options)
    return dataclasses.replace(
        check,
        findings=hold_against(check, options.normal_values),
        resistor_ohm=options.resistor_ohm,
        corrections=take.corrections,
        causes=list_causes(check),
        problems=(*told, *check.problems),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Take:
    """A take that was placed, its ratios at the part's tones, and what is known of the bench."""

    programme: Programme
    recording: Recording
    timeline: Timeline
    ratios: Ratios
    bench: Bench
    leads: list[Problem]

    @classmethod
    def open(cls, recording: Recording, options: PartsOptions, programme: Programme) -> _Take:
        """Find the stimulus in a take, and lock in to its tones."""
        timeline = place(programme, recording)
        every = measure_ratios(programme, recording, timeline)
        low_hz, high_hz = PARTS_TONES_HZ[options.part]
        inside = (every.frequency_hz >= low_hz) & (every.frequency_hz <= high_hz)
        ratios = every.pick(every.frequency_hz[inside])
        bench = make_bench(options, programme, ratios)
        leads = flaws.find_leads(options.part, ratios, bench)
        return cls(
            programme=programme, recording=recording, timeline=timeline, ratios=ratios,
            bench=bench, leads=leads,
        )  # fmt: skip

    @property
    def corrections(self) -> tuple[str, ...]:
        """Which takes of known ends the numbers rest on."""
        names = ("open", "short", "reference")
        return tuple(name for name in names if getattr(self.bench, name) is not None)


def make_bench(options: PartsOptions, programme: Programme, ratios: Ratios) -> Bench:
    """What is known of resistor and inputs, at the tones of a part."""
    takes: Mapping[str, Recording] = options.loaded.takes
    known = dict(options.loaded.ratios)
    for name in ("open", "short", "reference"):
        if name in takes:
            known[name] = measure_ratios(programme, takes[name], place(programme, takes[name]))
    if "reference" in known and options.reference_ohm is None:
        raise InputError("reference_ohm: type the value of the known resistor (--reference-ohm)")
    picked = {name: one.pick(ratios.frequency_hz) for name, one in known.items()}
    return Bench(
        resistor_ohm=options.resistor_ohm or 0.0,
        resistor_percent=options.resistor_percent,
        reference_ohm=options.reference_ohm or 0.0,
        reference_percent=options.reference_percent,
        open=picked.get("open"),
        short=picked.get("short"),
        reference=picked.get("reference"),
    )


def _measure_curve(take: _Take, options: PartsOptions) -> PartsCheck:
    """Whatever is told by its impedance along the band."""
    z = solve(take.ratios, take.bench)
    shown, notes, found = z, tuple[str, ...](), list[Problem]()
    line = load_impedance(options.line_impedance)
    if options.part == "capacitor":
        wanted, notes = figures.list_capacitor(z), (LEAKAGE,)
        found += flaws.find_parallel(z)
    elif options.part == "bell":
        wanted, notes = figures.list_bell(z), (NOT_RINGING,)
    elif options.part == "set":
        wanted = figures.list_set(z, line)
    else:
        z, is_damped = _add_damped(take, options, z)
        wanted = figures.list_receiver(z, is_damped=is_damped)
    stated, budget, withheld = figures.state(z, wanted)
    found += [*flaws.find_wrong_resistor(shown, take.bench), *_tell_withheld(withheld)]
    losses_db = compute_return_loss_db(shown.ohm, line.compute_ohm(shown.frequency_hz))
    is_set = options.part == "set"
    return dataclasses.replace(
        _show(options.part, shown, stated, budget),
        line_impedance=options.line_impedance if is_set else "",
        return_loss_db=tuple(losses_db.tolist()) if is_set else (),
        notes=notes,
        problems=tuple(found),
    )


def _add_damped(take: _Take, options: PartsOptions, z: Impedance) -> tuple[Impedance, bool]:
    """A receiver's curve, followed by that with its diaphragm held where there is one."""
    damped = options.loaded.takes.get("damped")
    if damped is None:
        return z, False
    timeline = place(take.programme, damped)
    held = measure_ratios(take.programme, damped, timeline).pick(take.ratios.frequency_hz)
    places = [*range(len(take.ratios.frequency_hz))] * 2
    return solve(take.ratios.join(held), take.bench.take(places)), True


def _measure_contact(take: _Take, options: PartsOptions) -> PartsCheck:
    """Resistance of a contact while it is quiet and at its highest, and what it did."""
    held = moving.watch_contact(take.programme, take.recording, take.timeline)
    near = int(np.argmin(np.abs(take.ratios.frequency_hz - CONTACT_HZ)))
    z = solve(held.both, take.bench.take([near, near]))
    stated, budget, withheld = figures.state(
        z,
        {
            "resistance_ohm": lambda ohm: np.asarray(ohm[0].real),
            "highest_ohm": lambda ohm: np.asarray(ohm[1].real),
        },
    )
    if abs(z.ohm[1]) > flaws.MUCH_OHM * take.bench.resistor_ohm:
        stated["highest_ohm"] = PartFigure(value=None)
        budget.pop("highest_ohm", None)
    curve = solve(take.ratios, take.bench)
    found = [*flaws.find_wrong_resistor(curve, take.bench), *_tell_withheld(withheld)]
    return dataclasses.replace(
        _show(options.part, curve, stated, budget), events=held.events, problems=tuple(found)
    )


def _measure_limiter(take: _Take, options: PartsOptions) -> PartsCheck:
    """Where a limiter begins to act, and whether it does so on both sides."""
    steps = moving.measure_steps(take.programme, take.recording, take.timeline)
    near = int(np.argmin(np.abs(take.ratios.frequency_hz - CONTACT_HZ)))
    z = solve(steps.ratios, take.bench.take([near] * len(steps.ratios.ratio)))
    level_db = 20.0 * np.log10(steps.ratios.second)
    stated, budget, withheld = figures.state(
        z,
        {
            "impedance_ohm": lambda ohm: np.asarray(
                np.median(np.abs(ohm[: max(3, len(ohm) // 3)]))
            ),
            "onset_dbfs": lambda ohm: np.asarray(
                moving.find_onset(level_db, 20.0 * np.log10(np.abs(ohm)))
            ),
        },
    )
    stated["asymmetry_db"] = PartFigure(value=steps.asymmetry_db, uncertainty=moving.ASYMMETRY_DB)
    onset = stated["onset_dbfs"]
    if options.full_scale_v is not None and onset.value is not None:
        volts = options.full_scale_v * 10.0 ** (onset.value / 20.0)
        share = np.hypot(0.115 * (onset.uncertainty or 0.0), 0.01 * options.full_scale_percent)
        stated["onset_v"] = PartFigure(value=volts, uncertainty=float(volts * share))
    curve = solve(take.ratios, take.bench)
    found = [*flaws.find_wrong_resistor(curve, take.bench), *_tell_withheld(withheld)]
    return dataclasses.replace(_show(options.part, curve, stated, budget), problems=tuple(found))


_MEASURES = {"contact": _measure_contact, "limiter": _measure_limiter}


def _show(part: str, z: Impedance, stated: dict[str, PartFigure], budget: Budget) -> PartsCheck:
    widths_ohm, size_ohm = z.half_width_ohm, np.abs(z.ohm)
    # Moved so far, an impedance is no straight line of what moves it: its interval is not known.
    is_known = widths_ohm <= WIDEST * size_ohm
    return PartsCheck(
        part=part,
        frequency_hz=tuple(z.frequency_hz.tolist()),
        impedance_ohm=tuple((float(one.real), float(one.imag)) for one in z.ohm),
        uncertainty_ohm=tuple(
            float(width) if known else None
            for width, known in zip(widths_ohm, is_known, strict=True)
        ),
        figures=stated,
        budget=budget,
    )


def _tell_withheld(names: list[str]) -> list[Problem]:
    if not names:
        return []
    told = ", ".join(names)
    return [
        Problem(
            kind="input-unknown",
            message="the second input's own impedance lies across the part and was not measured",
            effect=f"{told} withheld: it may move them by more than a tenth; record an open end "
            "and a short in the part's place too (--open, --short)",
        )
    ]


def hold_against(check: PartsCheck, normals: Sequence[NormalValue]) -> tuple[Finding, ...]:
    """
    Figures against what the set type says, where it has a value of the figure's name and unit.

    Parameters
    ----------
    check : PartsCheck
    normals : sequence of NormalValue
        By the figure's key or its name in words: "capacitance", uF.
    """
    found = []
    for normal in normals:
        for key, figure in check.figures.items():
            name, unit = NAMES[key]
            is_meant = normal.quantity.casefold() in (key, name.casefold())
            if is_meant and normal.unit.casefold() == unit.casefold():
                limits = {"min": normal.low, "max": normal.high}
                row = {side: "" if at is None else repr(at) for side, at in limits.items()}
                about = {
                    "unit": unit,
                    "source": normal.source or "its values",
                    "provenance": "set type",
                }
                found.append(
                    judge(
                        key, figure.value, {**row, **about}, uncertainty=figure.uncertainty or 0.0
                    )
                )
    return tuple(found)


def _measure_feed(recording: Recording, options: PartsOptions, resistor_ohm: float) -> PartsCheck:
    """Feed current from the dial's own breaks."""
    clipped = flaws.find_clipping(recording)
    steps = current.measure_steps(recording)
    found = (*recording.problems, *clipped)
    check = PartsCheck(
        part="feed",
        figures={"feed_ma": PartFigure(value=None)},
        resistor_ohm=resistor_ohm,
        notes=(f"{steps.n_breaks} breaks",),
    )
    shares = {
        "resistor": 0.01 * options.resistor_percent,
        "noise": TWICE * steps.error / steps.size,
    }
    if clipped:
        return dataclasses.replace(check, problems=found)
    name, full_scale_v = "feed_ma", options.full_scale_v
    if full_scale_v is None:
        name, full_scale_v = "feed_ma_at_1v_full_scale", 1.0
        message = "how many volts record as full scale is not known"
        effect = "the current is withheld; type it (--full-scale-v), or use a calibrated bench"
        found += (Problem(kind="not-calibrated", message=message, effect=effect),)
    else:
        shares["calibration"] = 0.01 * options.full_scale_percent
    value = 1e3 * steps.size * full_scale_v / resistor_ohm
    rows = {row: value * share for row, share in shares.items()}
    figure = PartFigure(value=value, uncertainty=float(np.hypot.reduce(list(rows.values()))))
    return dataclasses.replace(
        check,
        figures={**check.figures, name: figure},
        budget={name: tuple(PartRow(name=row, half_width=one) for row, one in rows.items())},
        problems=found,
    )
