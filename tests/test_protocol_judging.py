"""What follows from the parts of the two evenings: every step can pass, and every step can fail."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from protocolparts import find, judge, make_part

from voicecheck.bench.simulated.proving import bend, record_switched_ohm
from voicecheck.errors import InputError, RecordingError
from voicecheck.measure.jumps import measure_jumps
from voicecheck.records import ProtocolPart
from voicecheck.verdicts.protocol import list_parts, load_steps
from voicecheck.verdicts.protocol.diodes import DiodePair, compute_harmonics, foresee_tone
from voicecheck.verdicts.protocol.envelope import bound_share, seal, unseal
from voicecheck.verdicts.protocol.judging import JUDGES, analyse_seats
from voicecheck.verdicts.protocol.rereading import find_changed_figures, find_changed_verdicts

PAIR = DiodePair(series_ohm=10e3, forward_mv=600.0)
SALT = "0123456789abcdef" * 4


class TestTable:
    def test_each_step_has_a_judge_a_caution_and_a_source(self) -> None:
        assert load_steps().keys() == JUDGES.keys()
        for kind in load_steps().values():
            assert kind.caution
            assert kind.source
            assert kind.do

    def test_no_part_is_there_twice(self) -> None:
        assert len(set(list_parts())) == len(list_parts()) == 23


class TestLoopBack:
    @pytest.mark.parametrize(
        ("moved_db", "off_db", "verdict"),
        [(0.03, 0.01, "within"), (0.3, 0.01, "outside"), (0.11, 0.05, "doubtful")],
    )
    def test_a_level_that_drifts_is_seen(
        self, moved_db: float, off_db: float, verdict: str
    ) -> None:
        parts = [
            make_part(f"loop-back {n}", {"level_1_db": level_db}, {"level_1_db": off_db})
            for n, level_db in enumerate((-6.0, -6.0 + moved_db, -6.0), 1)
        ]
        found = find(judge(*parts), "loop-back", "level")
        assert found.verdict == verdict
        assert found.value == pytest.approx(moved_db)
        assert found.uncertainty == pytest.approx(math.sqrt(2.0) * off_db)

    def test_clocks_that_part_are_seen(self) -> None:
        def tell(ppm: float) -> str:
            parts = [
                make_part(f"loop-back {n}", {"level_1_db": 0.0, "drift_1_ppm": one})
                for n, one in enumerate((5.0, 5.0 + ppm), 1)
            ]
            return find(judge(*parts), "loop-back", "clock").verdict

        assert (tell(3.0), tell(40.0)) == ("within", "outside")

    def test_takes_of_one_hour_say_nothing_of_hours(self) -> None:
        parts = [
            make_part(
                f"loop-back {n}", {"level_1_db": 0.0}, taken_utc=f"2031-05-04T18:{n}0:00+00:00"
            )
            for n in (1, 4)
        ]
        assert find(judge(*parts), "loop-back", "level").verdict == "not tested"

    def test_one_take_says_nothing(self) -> None:
        only = judge(make_part("loop-back 1", {"level_1_db": 0.0}))
        assert find(only, "loop-back", "level").verdict == "not tested"
        assert only.overall == "not tested"


class TestResistor:
    """Thevenin's circuit: I dR R_load / (R_load + R + dR) is 40 mA x 600 / 1201 ohm = 19.983 mV."""

    @pytest.mark.parametrize(
        ("step_mv", "verdict"), [(19.983, "within"), (20.7, "within"), (22.0, "outside")]
    )
    def test_against_ohms_law(self, step_mv: float, verdict: str) -> None:
        part = make_part("resistor 1", {"step_v": 1e-3 * step_mv}, {"step_v": 1e-5})
        found = find(judge(part), "resistor", "step")
        assert found.verdict == verdict
        assert found.expected == pytest.approx(19.983e-3, abs=1e-6)
        assert found.value == pytest.approx(100.0 * (step_mv / 19.983 - 1.0), abs=0.01)

    def test_a_wrong_resistor_is_seen(self) -> None:
        """One ohm and a half stand in the circuit, one is what somebody believes."""
        recording = record_switched_ohm(seed=3, switched_ohm=1.5)
        jumps = measure_jumps(0.5 * recording.samples, recording.rate_hz)
        part = make_part("resistor 1", {"step_v": jumps.mean_size}, {"step_v": jumps.uncertainty})
        assert find(judge(part), "resistor", "step").verdict == "outside"

    def test_a_calibration_that_knows_little_makes_it_doubtful(self) -> None:
        part = make_part("resistor 1", {"step_v": 0.020}, {"step_v": 0.0015})
        assert find(judge(part), "resistor", "step").verdict == "doubtful"


class TestJumps:
    @pytest.mark.parametrize("seed", range(1, 7))
    def test_the_interval_holds_the_truth(self, seed: int) -> None:
        recording = record_switched_ohm(seed=seed, seconds=10.0)
        jumps = measure_jumps(0.5 * recording.samples, recording.rate_hz)
        true_v = 0.040 * 600.0 / 1201.0
        assert abs(jumps.mean_size - true_v) <= jumps.uncertainty
        assert jumps.uncertainty < 0.03 * true_v
        assert 12 <= len(jumps.size) <= 20
        assert np.all(np.sign(jumps.size[1:]) == -np.sign(jumps.size[:-1]))
        # The line's coupling of the made bench is 20 Hz: 1 / (2 pi 20 Hz).
        assert jumps.decay_s == pytest.approx(1.0 / (2.0 * math.pi * 20.0), rel=0.15)

    def test_slow_coupling_is_read_as_well(self) -> None:
        """A square wave behind 2 Hz, in closed form between its edges."""
        rate_hz, decay_s = 8000, 1.0 / (2.0 * math.pi * 2.0)
        time_s = np.arange(8 * rate_hz) / rate_hz
        samples = 1e-4 * np.random.default_rng(5).standard_normal(len(time_s))
        for n in range(12):
            at_s = 0.7 + 0.55 * n
            after = time_s >= at_s
            samples[after] += (-1) ** n * 0.02 * np.exp(-(time_s[after] - at_s) / decay_s)
        jumps = measure_jumps(samples, rate_hz)
        assert jumps.mean_size == pytest.approx(0.02, rel=0.01)

    @pytest.mark.parametrize("level", [0.0, 1e-3])
    def test_where_nothing_was_switched_nothing_is_read(self, level: float) -> None:
        samples = level * np.random.default_rng(2).standard_normal(10 * 8000)
        with pytest.raises(RecordingError, match="switched steps") as caught:
            measure_jumps(samples, 8000)
        assert caught.value.kind == "too-few-steps"


class TestDiodes:
    def test_a_soft_tone_has_the_third_harmonic_of_the_cubic_term(self) -> None:
        """Series of sinh: u = (load + s / a) v + s v^3 / (6 a^3), s = 2 Is R, a = n VT."""
        scale_v, steep_v = PAIR.scale_v, 2.0 * PAIR.saturation_a * PAIR.series_ohm
        load = 1.0 + PAIR.series_ohm / PAIR.tap_ohm
        gain = 1.0 / (load + steep_v / scale_v)
        drive_v = 0.2 * scale_v / gain
        third_v = gain * steep_v / (6.0 * scale_v**3) * (gain * drive_v) ** 3 / 4.0
        found = compute_harmonics(PAIR, drive_v)
        assert found[0] == pytest.approx(gain * drive_v, rel=1e-4)
        assert found[2] == pytest.approx(third_v, rel=0.02)
        assert found[1] == pytest.approx(0.0, abs=1e-12)

    def test_a_hard_tone_has_the_fundamental_of_a_logarithm(self) -> None:
        """V = a ln(2 x sin), x = A / s, between its zeros: (4 a / pi) (ln 4 x - 1)."""
        pair = DiodePair(series_ohm=200e3, forward_mv=600.0, tap_ohm=1e15)
        drive_v = 1e7 * 2.0 * pair.saturation_a * pair.series_ohm
        closed_v = 4.0 * pair.scale_v / math.pi * (math.log(4e7) - 1.0)
        assert compute_harmonics(pair, drive_v)[0] == pytest.approx(closed_v, rel=1e-3)

    def test_the_made_bench_bends_by_another_way_to_the_same(self) -> None:
        """A table read backwards and finer, against Newton's method and Fourier's sum."""
        pair = DiodePair(series_ohm=10e3, forward_mv=600.0, emission=1.84)
        drive_v = 0.77 * np.sin(2.0 * np.pi * 1000.0 * np.arange(9600) / 48000)
        spectrum = 2.0 / 4800 * np.abs(np.fft.rfft(bend(drive_v)[2400:7200]))
        got = spectrum[[100, 300, 500]]
        assert got == pytest.approx(compute_harmonics(pair, 0.77)[[0, 2, 4]], rel=5e-3)

    def test_the_interval_holds_other_parts_and_temperatures(self) -> None:
        """Circuits drawn within what is stated: about 95 in 100 inside, never far fewer."""
        draw, inside = np.random.default_rng(8), 0
        tone = foresee_tone(PAIR, 0.024, 0.77)
        for _ in range(100):
            other = DiodePair(
                series_ohm=10e3 * (1.0 + 0.005 * draw.standard_normal()),
                forward_mv=600.0 + 3.0 * draw.standard_normal(),
                test_ma=1.0 + 0.1 * draw.standard_normal(),
                celsius=21.0 + 1.5 * draw.standard_normal(),
                tap_ohm=47e3 * (1.0 + 0.15 * draw.standard_normal()),
                emission=1.85 + 0.075 * draw.standard_normal(),
            )
            louder = 1.0 + 0.015 * draw.standard_normal()
            found = compute_harmonics(other, 0.77 * louder)
            thd_percent = 100.0 * float(np.linalg.norm(found[1:])) / found[0]
            inside += abs(thd_percent - tone.thd_percent) <= tone.thd_uncertainty_percent
        assert 88 <= inside <= 99

    @staticmethod
    def take(thd_percent: float, loss_db: float, **typed: float) -> ProtocolPart:
        part = make_part(
            "diodes 1",
            {"thd_percent": thd_percent, "loss_db": loss_db, "soft_v": 0.024, "loud_v": 0.77},
            {"thd_percent": 0.1, "loss_db": 0.02},
        )
        return (
            part
            if not typed
            else make_part(
                "diodes 1", part.figures, part.uncertainty, typed={**part.typed, **typed}
            )
        )

    def test_what_follows(self) -> None:
        tone = foresee_tone(PAIR, 0.024, 0.77)
        near = judge(self.take(1.05 * tone.thd_percent, tone.loss_db + 0.1))
        assert [one.verdict for one in near.findings if one.step == "diodes"] == ["within"] * 2
        far = judge(self.take(1.6 * tone.thd_percent, tone.loss_db + 1.5))
        assert [one.verdict for one in far.findings if one.step == "diodes"] == ["outside"] * 2

    def test_a_law_that_is_not_the_parts_is_seen(self) -> None:
        """Germanium in the circuit, silicon typed; 100 kilohm in it, 10 kilohm typed."""
        tone = foresee_tone(PAIR, 0.024, 0.77)
        for typed in ({"forward_mv": 350.0}, {"series_ohm": 100e3}):
            found = judge(self.take(tone.thd_percent, tone.loss_db, **typed))
            assert find(found, "diodes", "thd").verdict == "outside"

    def test_what_is_foreseen_too_widely_proves_nothing(self) -> None:
        """At 0.3 V little bends, and how much hangs on the emission coefficient."""
        tone = foresee_tone(PAIR, 0.024, 0.25)
        part = make_part(
            "diodes 1",
            {"thd_percent": tone.thd_percent, "loss_db": None, "soft_v": 0.024, "loud_v": 0.25},
        )
        assert find(judge(part), "diodes", "thd").verdict == "doubtful"

    def test_without_volts_nothing_is_said(self) -> None:
        part = make_part("diodes 1", {"thd_percent": 11.0, "loss_db": 2.0})
        assert find(judge(part), "diodes", "thd").verdict == "not tested"


class TestSeats:
    @staticmethod
    def draw(seat_db: float, person_db: float, day_db: float) -> list[ProtocolPart]:
        draw = np.random.default_rng(12)
        return [
            make_part(
                f"seats {day}{who}",
                {
                    f"mid_{n}_db": float(
                        -20.0 + (who == "B") * person_db + (day == 2) * day_db
                        + seat_db * draw.standard_normal()
                    )
                    for n in range(1, 11)
                },
            )
            for day in (1, 2)
            for who in "AB"
        ]  # fmt: skip

    def test_the_parts_of_the_scatter_are_told_apart(self) -> None:
        parts = self.draw(0.3, 1.0, 0.0)
        table = analyse_seats(parts)
        assert table is not None
        assert table.repeatability.sd == pytest.approx(0.3, rel=0.25)
        # Two persons 1 dB apart: a variance of 0.5 dB^2.
        assert table.estimate("person").sd == pytest.approx(math.sqrt(0.5), rel=0.2)
        assert table.estimate("day").sd < 0.3

    def test_what_follows(self) -> None:
        def tell(*scatter: float) -> list[str]:
            found = judge(*self.draw(*scatter))
            names = ("repeatability", "reproducibility")
            return [find(found, "seats", name).verdict for name in names]

        assert tell(0.2, 0.2, 0.1) == ["within", "within"]
        assert tell(1.5, 0.0, 0.0) == ["outside", "outside"]
        assert tell(0.2, 0.9, 0.9) == ["within", "doubtful"]

    def test_seats_that_scatter_more_than_the_others_are_named(self) -> None:
        """Cochran's test of ISO 5725-2:1994, 7.3.3, at 1 %; persons and days may differ."""
        even = self.draw(0.2, 2.0, 2.0)
        assert "scatter more" not in find(judge(*even), "seats", "repeatability").said
        loose = self.draw(0.8, 0.0, 0.0)[2]
        found = find(judge(*even[:2], loose, even[3]), "seats", "repeatability")
        assert f"{loose.part} scatter more than the others" in found.said

    def test_two_evenings_of_one_day_say_nothing_of_days(self) -> None:
        parts = [
            dataclasses.replace(one, taken_utc="2031-05-04T20:00:00+00:00")
            for one in self.draw(0.2, 0.1, 0.1)
        ]
        assert find(judge(*parts), "seats", "reproducibility").verdict == "not tested"

    def test_one_person_alone_says_nothing(self) -> None:
        found = judge(*self.draw(0.2, 0.1, 0.1)[:3])
        assert find(found, "seats", "reproducibility").verdict == "not tested"


class TestRounds:
    PLANTS = ("tape", "none", "cotton wool", "none", "tape", "none", "far", "none", "ohm", "none")

    def tell(self, called: str, **other: Any) -> tuple[str, str]:
        """One letter a round: c changed, p perhaps changed, u unchanged."""
        words = {"c": "changed", "p": "perhaps changed", "u": "unchanged"}
        rounds = [
            make_part(f"round {n}", {}, answer=words[letter], **other)
            for n, letter in enumerate(called, 1)
        ]
        found = judge(
            make_part("envelope", {}, answer="0" * 64), *rounds,
            make_part("opened", {}, plants=self.PLANTS, taken_utc="2031-05-04T21:00:00+00:00"),
        )  # fmt: skip
        hits, alarms = (find(found, "round", name) for name in ("hits", "false alarms"))
        return (
            f"{hits.verdict} {hits.value}",
            f"{alarms.verdict} {alarms.value}",
        )

    def test_hits_and_false_alarms_are_counted(self) -> None:
        assert self.tell("cucucucucu") == ("within 1.0", "within 0.0")
        assert self.tell("uuuuuuuuuu") == ("outside 0.0", "within 0.0")
        assert self.tell("cccccccccc") == ("within 1.0", "outside 1.0")
        assert self.tell("cupupupupu") == ("doubtful 0.2", "within 0.0")

    def test_rounds_from_before_the_envelope_do_not_count(self) -> None:
        early = self.tell("cucucucucu", taken_utc="2031-05-04T15:00:00+00:00")
        assert early == ("not tested None", "not tested None")

    def test_nothing_is_said_while_it_is_closed(self) -> None:
        found = judge(make_part("envelope", {}), make_part("round 1", {}, answer="changed"))
        assert find(found, "round", "hits").verdict == "not tested"

    def test_exact_intervals(self) -> None:
        """By the definition: at each end 2.5 % of such series give so few, or so many."""
        for n_hits, n in ((0, 5), (3, 5), (5, 5), (7, 10)):
            low, high = bound_share(n_hits, n)
            few = sum(math.comb(n, k) * high**k * (1 - high) ** (n - k) for k in range(n_hits + 1))
            many = sum(
                math.comb(n, k) * low**k * (1 - low) ** (n - k) for k in range(n_hits, n + 1)
            )
            assert high == 1.0 or few == pytest.approx(0.025)
            assert low == 0.0 or many == pytest.approx(0.025)


class TestEnvelope:
    def test_it_gives_back_what_was_put_in(self) -> None:
        content, digest = seal(["none"] * 10, SALT, n_rounds=10)
        assert unseal(content, digest, n_rounds=10) == ("none",) * 10

    def test_a_changed_or_swapped_one_is_refused(self) -> None:
        content, digest = seal(["none"] * 10, SALT, n_rounds=10)
        other, _ = seal(["tape"] * 10, SALT, n_rounds=10)
        for swapped in (
            other,
            content + b" ",
            content.replace(b"none", b"tape", 1),
            b"",
            b"x" * 10**6,
        ):
            with pytest.raises(InputError, match="not the file that was closed"):
                unseal(swapped, digest, n_rounds=10)

    def test_short_words_cannot_be_guessed_from_the_hash(self) -> None:
        digests = {seal(["none"] * 10, SALT[:-1] + end, n_rounds=10)[1] for end in "abc"}
        assert len(digests) == 3
        with pytest.raises(ValueError, match="salt"):
            seal(["none"] * 10, "short", n_rounds=10)

    @pytest.mark.parametrize("plants", [["none"] * 9, ["none"] * 9 + [" "], ["n" * 61] * 10])
    def test_what_is_no_list_is_refused(self, plants: list[str]) -> None:
        with pytest.raises(InputError, match="nothing was kept"):
            seal(plants, SALT, n_rounds=10)


class TestDial:
    @pytest.mark.parametrize(
        ("speed_pps", "break_percent", "verdicts"),
        [
            (10.1, 61.0, ["within"] * 2),
            (10.6, 66.0, ["outside"] * 2),
            (10.0, 64.0, ["within", "outside"]),
        ],
    )
    def test_beside_the_oscilloscope(
        self, speed_pps: float, break_percent: float, verdicts: list[str]
    ) -> None:
        part = make_part(
            "dial 1", {"speed_pps": speed_pps, "break_percent": break_percent}, {"speed_pps": 0.02}
        )
        found = judge(part)
        assert [find(found, "dial", name).verdict for name in ("speed", "break")] == verdicts


class TestReadAgain:
    def test_a_figure_is_beyond_where_its_own_interval_is_exceeded(self) -> None:
        was = make_part(
            "loop-back 1", {"a_db": 1.0, "b_db": 1.0, "c_db": 1.0, "d_db": None, "e_db": 2.0},
            {"a_db": 0.1, "b_db": 0.1},
        )  # fmt: skip
        now = make_part(
            "loop-back 1", {"a_db": 1.05, "b_db": 1.2, "c_db": 1.0, "d_db": 3.0, "e_db": 2.1}
        )
        found = {one.figure: one.is_beyond for one in find_changed_figures(was, now)}
        assert found == {"a_db": False, "b_db": True, "d_db": True, "e_db": True}

    def test_another_answer_to_a_round_is_told(self) -> None:
        was, now = (
            judge(make_part("envelope", {}), make_part("round 3", {}, answer=answer))
            for answer in ("changed", "unchanged")
        )
        (found,) = find_changed_verdicts(was, now)
        assert (found.step, found.was, found.now) == ("round 3", "changed", "unchanged")
        assert find_changed_verdicts(was, was) == ()
