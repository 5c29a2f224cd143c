# mypy: disable-error-code="arg-type,attr-defined,var-annotated"
"""Records show themselves in a notebook: markup, figure, table."""

from __future__ import annotations

import subprocess
import sys
from html.parser import HTMLParser
from typing import Any

import factories
import numpy as np
import pytest
from services import need_module

from voicecheck.charts import draw_findings
from voicecheck.charts.findings import EDGE, place_finding
from voicecheck.errors import InputError
from voicecheck.records import from_json, to_json


def records() -> Any:
    run = factories.make_run("transmit", "before", withhold=slice(3, 6))
    return {
        "measurement": run.pooled,
        "run": run,
        "comparison": factories.make_comparison("before"),
    }


class Tags(HTMLParser):
    def __init__(self, html: Any) -> None:
        super().__init__()
        self.found = []
        self.feed(html)

    def handle_starttag(self, tag: Any, attrs: Any) -> None:
        self.found.append((tag, dict(attrs)))


@pytest.mark.parametrize("kind", records())
class TestEveryRecord:
    def test_it_shows_itself_without_script(self, kind: Any) -> None:
        html = records()[kind]._repr_html_()
        tags = Tags(html).found
        assert {"svg", "table"} & {tag for tag, _ in tags}
        assert "script" not in {tag for tag, _ in tags}

    def test_plot_is_a_figure_that_pyplot_does_not_hold(self, kind: Any) -> None:
        from matplotlib.figure import Figure

        assert isinstance(records()[kind].plot(), Figure)
        assert (
            "matplotlib.pyplot" not in sys.modules
            or not sys.modules["matplotlib.pyplot"].get_fignums()
        )

    def test_it_still_reads_back_from_json(self, kind: Any) -> None:
        """Showing adds no field to what is stored."""
        record = records()[kind]
        assert to_json(from_json(to_json(record), type(record))) == to_json(record)


class TestFrames:
    def test_response_by_frequency(self) -> None:
        need_module("pandas")
        run = records()["run"]
        frame = run.to_frame()
        response = run.pooled.response
        np.testing.assert_array_equal(frame.index, response.frequency_hz)
        np.testing.assert_array_equal(frame["level_db"], response.level_db)
        np.testing.assert_array_equal(frame["seat_sd_db"], run.seat_sd_db)
        assert frame.attrs["unit"] == "dB relative"
        assert frame["level_db"].isna().sum() == 3
        assert "seat_sd_db" not in run.pooled.to_frame()

    def test_findings_by_row(self) -> None:
        need_module("pandas")
        comparison = records()["comparison"]
        frame = comparison.to_frame()
        assert list(frame["verdict"]) == [finding.verdict for finding in comparison.findings]
        assert frame["value"].isna().sum() == 1

    def test_without_pandas_one_line_says_so(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "pandas", None)
        with pytest.raises(InputError, match="pandas is not installed"):
            records()["run"].to_frame()

    def test_no_response_no_table(self) -> None:
        need_module("pandas")
        with pytest.raises(InputError, match="no response"):
            records()["run"].pooled.replace(response=None).to_frame()


class TestFindings:
    @pytest.mark.parametrize(
        ("value", "low", "high", "reference", "place"),
        [
            (0.0, -4.0, 4.0, None, 0.0),
            (4.0, -4.0, 4.0, None, 1.0),
            (-8.0, -4.0, 4.0, None, -2.0),
            (6.0, None, 6.0, 4.0, 1.0),
            (8.0, None, 6.0, 4.0, 2.0),
            (-90.0, None, 6.0, 4.0, -0.9),
            (18.0, 20.0, None, 24.0, -1.5),
            (60.0, 20.0, None, 24.0, 0.9),
            (5.0, None, 6.0, None, None),
            (None, -4.0, 4.0, 0.0, None),
            (5.0, None, None, 0.0, None),
        ],
    )
    def test_place_between_the_limits(
        self,
        value: float | None,
        low: float | None,
        high: float | None,
        reference: float | None,
        place: float | None,
    ) -> None:
        """Limits at -1 and +1; a side without a limit never looks like a fault."""
        finding = factories.make_finding(
            "transmit", "mid_db", value, "within", low=low, high=high, reference=reference
        )
        assert place_finding(finding) == place

    def test_far_values_are_drawn_at_the_edge(self) -> None:
        finding = factories.make_finding("transmit", "mid_db", -80.0, "outside")
        comparison = factories.replace(factories.make_comparison("before"), findings=(finding,))
        figure = draw_findings(comparison)
        (line,) = [x for x in figure.axes[0].lines if x.get_marker() not in ("None", None, "")]
        assert (line.get_marker(), list(line.get_xdata())) == ("<", [-EDGE])

    def test_nothing_to_draw_is_refused(self) -> None:
        comparison = factories.replace(factories.make_comparison("before"), findings=())
        with pytest.raises(InputError, match="no findings"):
            comparison.plot()

    def test_hostile_reasons_are_escaped(self) -> None:
        finding = factories.make_finding(
            "transmit", "<img src=x onerror=alert(1)>", None, "not comparable", reason="<script>"
        )
        comparison = factories.replace(factories.make_comparison("before"), findings=(finding,))
        tags = {tag for tag, _ in Tags(comparison._repr_html_()).found}
        assert not tags & {"img", "script"}


def run_script(*lines: str) -> None:
    subprocess.run([sys.executable, "-c", "\n".join(lines)], check=True)


CHARTLESS = "assert not {'voicecheck.charts', 'matplotlib', 'pandas'} & set(sys.modules)"
MAKE = (
    "from voicecheck.records import Measurement, RecordingInfo",
    "record = Measurement(recording=RecordingInfo())",
)


def test_records_alone_load_no_chart_and_say_what_shows_them() -> None:
    run_script(
        "import sys", *MAKE, CHARTLESS, "try:", "    record.plot()",
        "except ValueError as error:", "    assert 'import voicecheck.charts' in str(error)",
        "else:", "    raise SystemExit('plotted without a chart')",
    )  # fmt: skip


def test_records_of_the_workflow_show_themselves_without_a_further_import() -> None:
    """The way from record to chart is looked up only when it is gone."""
    run_script(
        "import sys, voicecheck.workflow", *MAKE, CHARTLESS,
        "assert '<div' in record._repr_html_()", "assert 'voicecheck.charts' in sys.modules",
    )  # fmt: skip
