"""Dial limits of countries: nominal values, both odd digit rules, service and line told apart."""

from collections import Counter
from typing import Any

import pytest

from voicecheck.bench.simulated.dial import DialSettings, make_dial_scene
from voicecheck.checkout.dial.measure import find_rule, measure_dial
from voicecheck.checkout.dial.words import describe_dial
from voicecheck.checkout.limits import find_region, list_regions, load_rows
from voicecheck.records import Recording
from voicecheck.workflow.settypes import check_region

LIMITS = "dial_limits.csv"
SIXTY = """Austria, Bulgaria, Czech Republic, Finland, Latvia, Lithuania, Netherlands, Romania,
Slovakia, Slovenia, Sweden, Switzerland"""


def find_row(region: str, quantity: str, use: str) -> dict[str, str]:
    (row,) = (
        row
        for row in load_rows(LIMITS)
        if (row["region"], row["quantity"], row["use"]) == (region, quantity, use)
    )
    return row


def dial(number: str, region: str, **settings: Any) -> Any:
    made = DialSettings(**settings)
    rule = find_rule(region)
    scene = make_dial_scene(number, made, seed=3, rate_hz=16000, convention=rule)
    return measure_dial(Recording(samples=scene.samples, rate_hz=16000), region=region)


def test_every_region_have_a_rule_a_speed_and_a_break_around_their_nominal() -> None:
    """72 countries of S70; two of them, Canada and the USA, are North America."""
    regions = list_regions(LIMITS)
    assert len(regions) == len(set(regions)) == 71
    for region in regions:
        find_row(region, "pulses_for_digit", "rule")
        for quantity in ("pulses_per_s", "break_percent"):
            row = find_row(region, quantity, "judge")
            low, nominal, high = (float(row[name]) for name in ("min", "nominal", "max"))
            assert low < nominal < high, (region, quantity)
    odd = Counter(find_rule(region) for region in regions)
    assert odd == {"0 is ten": 69, "n plus 1": 1, "10 minus n": 1}


def test_nominal_breaks_are_those_of_the_table() -> None:
    """40 ms make and 60 ms break in twelve European countries: no rule of 33 to 67 for all."""
    for region in SIXTY.replace("\n", " ").split(", "):
        assert find_row(region, "break_percent", "judge")["nominal"] == "60"
    told = {name: find_row(name, "break_percent", "judge") for name in ("Germany", "Italy")}
    assert [row["nominal"] for row in told.values()] == ["59.4", "61.3"]
    assert find_row("North America", "break_percent", "judge")["nominal"] == "64"


def test_an_approved_nominal_of_north_america_is_well_within() -> None:
    """The remembered 58 to 64 is told beside, and gives no verdict."""
    check = dial("38", "North America", break_percent=64.5)
    told = [(f.limit, f.verdict, f.high) for f in check.findings if f.quantity == "break_percent"]
    assert told == [("service", "within", 69.0), ("beside", "not comparable", 64.0)]
    far = dial("38", "North America", break_percent=70.5)
    assert far.findings[2].verdict == "outside"
    assert "break (service limit)" in describe_dial(far)


def test_service_and_line_limits_are_told_apart() -> None:
    check = dial("80", "Canada", pulses_per_s=8.5)
    told = {f.limit: f.verdict for f in check.findings if f.quantity == "pulses_per_s"}
    assert check.region == "North America"
    assert told == {"service": "outside", "line": "within"}
    assert "speed (service limit)" in describe_dial(check)
    german = dial("80", "germany", pulses_per_s=8.5)
    told = {f.limit: f.verdict for f in german.findings if f.quantity == "pulses_per_s"}
    assert told == {"service": "outside", "beside": "not comparable"}
    assert any("no line limits of Germany are known" in f.reason for f in german.findings)


@pytest.mark.parametrize(
    ("typed", "region"), [("usa", "North America"), ("UK", "United Kingdom"), ("uae", None)]
)
def test_short_and_old_names_go_on_working(typed: str, region: str | None) -> None:
    region = region or "United Arab Emirates"
    assert find_region(LIMITS, typed) == check_region(typed) == region
