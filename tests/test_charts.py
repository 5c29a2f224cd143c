# mypy: disable-error-code="arg-type,assignment,union-attr"
"""Charts are checked by their numbers and words, and by how they look without colour."""

from __future__ import annotations

import io
import itertools
import re
import subprocess
import sys
import threading
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import factories
import numpy as np
import pytest
from colours import contrast, to_linear
from hypothesis import given
from hypothesis import strategies as st
from services import need

from voicecheck.charts import (
    draw_job_sheet,
    draw_response,
    draw_summary,
    inline_svg,
    render_figure,
    save_figure,
)
from voicecheck.charts.labels import spread_apart
from voicecheck.charts.panel import SPAN_DB
from voicecheck.charts.style import (
    BAND_EDGE,
    BAND_FACE,
    OTHER_STYLES,
    PALETTE,
    PALETTE_FILE,
    STAGE_STYLES,
    TICKS_HZ,
    clean_text,
)
from voicecheck.errors import InputError
from voicecheck.words import WORDS_FOLDER, load_words

LINES = [*STAGE_STYLES.values(), *OTHER_STYLES]
HOSTILE = (
    "<script>alert(1)</script>",
    "$x^2$ \\frac{1}{2} %s {path} &amp;",
    "\u05d8\u05dc\u05e4\u05d5\u05df \u0647\u0627\u062a\u0641",
    "telephone \U0001f4de\U0001f60a\ufe0f",
    "left\u202eright\u2066\x00\x07\ud800",
    "../../etc/passwd",
    "very long " * 200,
    "unbroken" * 100,
)


def draw(runs: Any, **more: Any) -> Any:
    given_ = {"baseline": None, "comparison": None, "set_type": factories.SET_TYPE, **more}
    return draw_response(runs, **given_)


def find_curves(figure: Any) -> Any:
    return [line for line in figure.axes[0].lines if (line.get_gid() or "").startswith("curve")]


def read_texts(figure: Any) -> Any:
    texts = list(figure.texts)
    for axes in figure.axes:
        texts += [*axes.texts, axes.xaxis.label, axes.yaxis.label]
    return "\n".join(text.get_text() for text in texts)


class TestCurves:
    def test_levels_are_drawn_as_measured_and_withheld_points_are_gaps(self) -> None:
        run = factories.make_run("transmit", "before", withhold=slice(20, 25))
        (curve,) = find_curves(draw([run]))
        response = run.pooled.response
        np.testing.assert_array_equal(curve.get_xdata(), response.frequency_hz)
        np.testing.assert_array_equal(curve.get_ydata(), response.level_db)
        assert np.isnan(curve.get_ydata()[20:25]).all()
        assert "5 points withheld" in read_texts(draw([run]))

    def test_a_point_alone_between_gaps_still_shows(self) -> None:
        """Without a marker a lone point would have no line to either side and vanish."""
        level = factories.make_level_db("transmit")
        run = factories.make_run("transmit", "after")
        keep = 7
        level[[i for i in range(len(level)) if i != keep]] = np.nan
        response = factories.replace(run.pooled.response, level_db=level)
        run = factories.replace(run, pooled=factories.replace(run.pooled, response=response))
        (curve,) = find_curves(draw([run]))
        assert curve.get_markevery() == [keep]

    def test_shade_is_the_stated_uncertainty(self) -> None:
        run = factories.make_run("transmit", "after")
        figure = draw([run])
        (shade,) = [c for c in figure.axes[0].collections if c.get_gid() != "type-band"]
        extent = shade.get_paths()[0].get_extents()
        response = run.pooled.response
        assert extent.y0 == pytest.approx((response.level_db - response.uncertainty_db).min())
        assert extent.y1 == pytest.approx((response.level_db + response.uncertainty_db).max())

    def test_band_is_the_limits_of_the_type(self) -> None:
        baseline = factories.make_baseline()
        figure = draw([factories.make_run()], baseline=baseline)
        (band,) = [c for c in figure.axes[0].collections if c.get_gid() == "type-band"]
        heights = band.get_paths()[0].vertices[:, 1]
        assert set(np.round(baseline.low_db, 9)) <= set(np.round(heights, 9))
        assert set(np.round(baseline.high_db, 9)) <= set(np.round(heights, 9))
        assert "8 sets" in " ".join(read_texts(figure).split())

    def test_a_baseline_in_another_unit_lends_its_shape_only_and_says_so(self) -> None:
        """A calibrated set beside an uncalibrated baseline: level must not be compared."""
        baseline = factories.make_baseline()
        run = factories.make_run(gain_db=-21.0, unit="dB V/Pa")
        figure = draw([run], baseline=baseline)
        (band,) = [c for c in figure.axes[0].collections if c.get_gid() == "type-band"]
        heights = band.get_paths()[0].vertices[:, 1]
        middle = (heights.min() + heights.max()) / 2
        level = run.pooled.response.level_db
        assert middle == pytest.approx((level.min() + level.max()) / 2, abs=2.0)
        assert "moved to this level" in " ".join(read_texts(figure).split())

    @pytest.mark.parametrize(
        ("refused", "expected"), [((), 0.0), (("response",), 20.0), (("response", "shape"), None)]
    )
    def test_limits_that_must_not_be_compared_are_not_drawn(
        self, refused: Any, expected: float | None
    ) -> None:
        """Same unit, other feed current: the level's band would be a silent mix."""
        findings = tuple(
            factories.make_finding("transmit", quantity, None, "not comparable", reason="25 mA")
            for quantity in refused
        )
        comparison = factories.replace(factories.make_comparison("after"), findings=findings)
        baseline = factories.make_baseline()
        run = factories.make_run(gain_db=20.0)
        figure = draw([run], baseline=baseline, comparison=comparison)
        bands = [c for c in figure.axes[0].collections if c.get_gid() == "type-band"]
        if expected is None:
            assert bands == []
            return
        heights = bands[0].get_paths()[0].vertices[:, 1]
        middle = (baseline.low_db.min() + baseline.high_db.max()) / 2
        assert (heights.min() + heights.max()) / 2 - middle == pytest.approx(expected, abs=2.0)
        assert ("shape is hatched" in " ".join(read_texts(figure).split())) == bool(refused)

    def test_runs_in_two_units_are_not_drawn_on_one_scale(self) -> None:
        before = factories.make_run("transmit", "before")
        after = factories.make_run("transmit", "after", unit="dB V/Pa")
        figure = draw([before, after])
        assert len(find_curves(figure)) == 1
        assert "\u201cbefore\u201d is not drawn: its unit is dB relative" in read_texts(figure)


class TestScale:
    def test_sheets_of_one_type_have_one_scale(self) -> None:
        """A weak set and a healthy one can be laid side by side."""
        baseline = factories.make_baseline()
        limits = {
            draw([factories.make_run(gain_db=gain)], baseline=baseline).axes[0].get_ylim()
            for gain in (0.0, -12.0, 5.0)
        }
        assert len(limits) == 1
        (low, high) = limits.pop()
        assert high - low == SPAN_DB

    def test_a_curve_beyond_the_scale_widens_it_and_the_foot_says_so(self) -> None:
        run = factories.make_run(gain_db=-45.0)
        figure = draw([run], baseline=factories.make_baseline())
        low, high = figure.axes[0].get_ylim()
        inside = run.pooled.response.level_db[(factories.FREQUENCY_HZ > 300)]
        assert low < inside.min() < high
        assert "do not lay this sheet beside others" in read_texts(figure)

    def test_a_point_outside_the_voice_band_beyond_the_scale_gets_an_arrow(self) -> None:
        run = factories.make_run()
        level = run.pooled.response.level_db.copy()
        level[0] = -90.0
        response = factories.replace(run.pooled.response, level_db=level)
        run = factories.replace(run, pooled=factories.replace(run.pooled, response=response))
        figure = draw([run], baseline=factories.make_baseline())
        arrows = [line for line in figure.axes[0].lines if line.get_marker() == "v"]
        assert [float(line.get_xdata()[0]) for line in arrows] == [factories.FREQUENCY_HZ[0]]
        assert "Arrows at the edge" in read_texts(figure)

    def test_ticks_are_those_of_the_trade(self) -> None:
        axes = draw([factories.make_run()]).axes[0]
        assert axes.get_xscale() == "log"
        assert tuple(axes.get_xticks()) == TICKS_HZ
        names = [label.get_text() for label in axes.get_xticklabels()]
        assert names == ["200", "300", "500", "700", "1k", "2k", "3.4k", "4k"]


class TestWords:
    def test_title_is_a_conclusion(self) -> None:
        runs = [factories.make_run("transmit", stage) for stage in ("before", "after")]
        before = draw(runs[:1], comparison=factories.make_comparison("before"))
        after = draw(runs, comparison=factories.make_comparison("after"))
        assert "not as it should be for its type, most at 2510 Hz" in before.texts[0].get_text()
        assert "as it should be for its type" in after.texts[0].get_text()
        assert "not as" not in after.texts[0].get_text()

    def test_change_is_told_with_its_direction(self) -> None:
        old = factories.make_run("transmit", "before", seed=3, gain_db=-8.0)
        new = factories.make_run("transmit", "after", seed=3)
        title = " ".join(draw([old, new]).texts[0].get_text().split())
        assert "8.0 dB louder at 1 kHz than before" in title
        title = " ".join(
            draw([new, factories.replace(old, stage="after")]).texts[0].get_text().split()
        )
        assert "louder" not in title

    def test_a_real_change_is_not_called_a_fault(self) -> None:
        """Against another stage `outside` means that the change is real."""
        runs = [factories.make_run("transmit", stage) for stage in ("before", "after")]
        figure = draw(runs, comparison=factories.make_change())
        assert "not as it should be" not in figure.texts[0].get_text()

    def test_relative_level_is_said_in_words(self) -> None:
        relative = read_texts(draw([factories.make_run()]))
        assert "dB relative (bench not calibrated: only shape and differences count)" in relative
        absolute = read_texts(draw([factories.make_run(unit="dB V/Pa")]))
        assert "Sensitivity, dB V/Pa" in absolute
        assert "relative" not in absolute

    def test_foot_holds_the_conditions(self) -> None:
        text = read_texts(draw([factories.make_run("transmit", "after", unit="dB V/Pa")]))
        for part in (
            "2031-04-02",
            "3 conditionings",
            "feed 40 mA",
            "calibration shop bench, 2031-04-01",
            "programme \u221212 dBFS",
            "bench: simulated",
            "voicecheck 0.1.0",
        ):
            assert part in text

    def test_what_is_not_known_is_said_to_be_unknown(self) -> None:
        run = factories.make_run()
        conditions = run.pooled.conditions.replace(
            feed_ma=None, level_dbfs=None, time_utc=None, conditioned=None
        )
        pooled = run.pooled.replace(conditions=conditions)
        text = read_texts(draw([factories.replace(run, pooled=pooled, taken_utc=None)]))
        for part in ("feed current not stated", "programme level not stated", "date not stated"):
            assert part in text

    @pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
    def test_hostile_text_is_drawn_as_text(self, text: Any) -> None:
        """No warning for a missing glyph, no mathematics, no markup; every format is written."""
        run = factories.make_run("transmit", text)
        set_type = factories.replace(factories.SET_TYPE, name=text)
        figure = draw([run], set_type=set_type, title=text)
        render_figure(figure, "png")
        render_figure(figure, "pdf")
        root = ET.fromstring(render_figure(figure, "svg"))
        assert not [node for node in root.iter() if node.tag.endswith("script")]
        assert len(figure.texts[0].get_text()) < 200

    def test_threads_that_come_and_go_leave_no_font_file_open(self) -> None:
        """As those of the page do; each holds on until all have drawn, so that each is another."""
        opened = Path("/proc/self/fd")
        need("PLATFORM", None if opened.is_dir() else "descriptors are not to be seen here")
        all_drew, held = threading.Barrier(6), []

        def draw_and_wait() -> None:
            render_figure(draw([factories.make_run()]), "svg")
            all_drew.wait(60)

        for _ in range(2):
            threads = [threading.Thread(target=draw_and_wait) for _ in range(5)]
            for thread in threads:
                thread.start()
            all_drew.wait(60)
            for thread in threads:
                thread.join()
            fonts = [one for one in opened.iterdir() if one.resolve().suffix == ".ttf"]
            held.append(len(fonts))
        assert held == [0, 0]

    def test_dollar_signs_and_markup_survive_literally(self) -> None:
        figure = draw([factories.make_run()], title="<b>$5</b> & more")
        svg = inline_svg(render_figure(figure, "svg"), "one")
        assert "&lt;b&gt;$5&lt;/b&gt; &amp; more" in svg

    @given(st.text())
    def test_cleaned_text_is_one_line_without_controls(self, text: Any) -> None:
        cleaned = clean_text(text)
        assert cleaned.isprintable()
        assert clean_text(cleaned) == cleaned

    def test_every_language_file_fills_the_same_names(self) -> None:
        """A translation that lost a name in braces would lose a number."""
        from string import Formatter

        english = load_words("en").sections

        def names(sentence: Any) -> Any:
            return {name for _, name, _, _ in Formatter().parse(sentence) if name}

        for path in WORDS_FOLDER.glob("*.toml"):
            sections = load_words(path.stem).sections
            for section, table in english.items():
                for key, sentence in table.items():
                    assert names(sections[section][key]) == names(sentence), (path.stem, key)

    def test_another_language_is_a_data_change(self, tmp_path: Path) -> None:
        (tmp_path / "xx.toml").write_text(
            '[language]\ndecimal = ","\n[chart]\nfrequency = "Freq!"\n', encoding="utf-8"
        )
        words = load_words("xx", tmp_path)
        assert words.say("chart", "frequency") == "Freq!"
        assert words.number(-1234.56) == "\u22121234,6"
        assert words.say("verdict", "within") == "within"

    @pytest.mark.parametrize("language", ["../en", "zz", "", "en\x00", "e" * 500])
    def test_an_unknown_language_is_refused(self, language: Any) -> None:
        with pytest.raises(InputError, match="language: need one of"):
            load_words(language)

    def test_a_broken_language_file_is_named(self, tmp_path: Path) -> None:
        (tmp_path / "yy.toml").write_text("[chart\n", encoding="utf-8")
        with pytest.raises(InputError, match=r"yy\.toml"):
            load_words("yy", tmp_path)


# Machado, Oliveira, Fernandes (2009), IEEE TVCG 15(6), severity 1.0, on linear RGB.
BLINDNESS = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def to_lab(linear: Any) -> Any:
    """CIE L*a*b* from linear sRGB, white D65 (CIE 15, IEC 61966-2-1)."""
    matrix = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    xyz = (np.array(matrix) @ np.clip(linear, 0, 1)) / [0.9505, 1.0, 1.089]
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


class TestPalette:
    def test_the_yardstick_itself(self) -> None:
        """Known values: black on white 21:1; #777777 on white 4.48:1; white is L* 100."""
        white = to_linear("#FFFFFF")
        assert contrast(to_linear("#000000"), white) == pytest.approx(21.0)
        assert contrast(to_linear("#777777"), white) == pytest.approx(4.48, abs=0.005)
        assert to_lab(white)[0] == pytest.approx(100.0, abs=0.01)
        for matrix in BLINDNESS.values():
            np.testing.assert_allclose(np.sum(matrix, axis=1), 1.0, atol=2e-6)

    def test_every_line_stands_out_from_the_paper(self) -> None:
        """At least 4.5:1, the limit for text; 3:1 would do for graphics (WCAG 1.4.11)."""
        white = to_linear("#FFFFFF")
        for style in LINES:
            assert contrast(to_linear(style.colour), white) >= 4.5, style
        assert contrast(to_linear(BAND_EDGE), white) >= 3.0

    def test_before_and_after_differ_in_a_grey_copy(self) -> None:
        before, after = (to_linear(STAGE_STYLES[stage].colour) for stage in ("before", "after"))
        assert contrast(before, after) >= 2.0

    @pytest.mark.parametrize("kind", BLINDNESS)
    def test_before_and_after_differ_for_colour_blind_readers(self, kind: Any) -> None:
        """A difference of 2 to 3 is just seen; 30 is seen at arm's length."""
        seen = [
            to_lab(np.array(BLINDNESS[kind]) @ to_linear(STAGE_STYLES[stage].colour))
            for stage in ("before", "after")
        ]
        assert np.linalg.norm(seen[0] - seen[1]) >= 30.0

    def test_no_two_stages_share_pattern_and_marker(self) -> None:
        looks = [(str(s.dashes), s.marker, s.hollow) for s in LINES]
        for first, second in itertools.combinations(looks, 2):
            assert first[0] != second[0]
            assert first[1:] != second[1:]


class TestSheets:
    def test_job_sheet_has_six_panels_with_their_numbers(self) -> None:
        runs = factories.make_job_runs()
        baselines = {"transmit": factories.make_baseline()}
        comparison = factories.make_comparison("after")
        figure = draw_job_sheet(factories.JOB, factories.SET_TYPE, runs, baselines, comparison)
        assert len(figure.axes) == 6
        thd = [line for line in figure.axes[3].lines if line.get_linestyle() != "None"]
        drawn = [line.get_ydata() for line in thd if len(line.get_xdata()) > 2]
        expected = [runs[i].pooled.distortion.thd_percent for i in (0, 1)]
        for given_, wanted in zip(drawn, expected, strict=True):
            np.testing.assert_array_equal(given_, wanted)
        assert "psophometric \u221277 dBFS" in read_texts(figure)

    def test_what_was_not_measured_is_said(self) -> None:
        run = factories.make_run("transmit", "before")
        pooled = run.pooled.replace(distortion=None, linearity=None, noise=type(run.pooled.noise)())
        run = factories.replace(run, pooled=pooled)
        figure = draw_job_sheet(factories.JOB, None, [run], {}, None)
        assert read_texts(figure).count("not measured") == 5

    def test_summary_shows_talking_and_hearing(self) -> None:
        figure = draw_summary(
            factories.make_job_runs(), baselines={}, comparison=None, set_type=None
        )
        assert len(figure.axes) == 2
        one = draw_summary(
            [factories.make_run("receive")], baselines={}, comparison=None, set_type=None
        )
        assert len(one.axes) == 1

    def test_a_run_without_a_response_leaves_an_empty_chart(self) -> None:
        run = factories.make_run()
        run = factories.replace(run, pooled=run.pooled.replace(response=None))
        assert "No response could be measured" in read_texts(draw([run]))

    def test_sheets_for_nothing_are_refused(self) -> None:
        with pytest.raises(InputError, match="none"):
            draw_job_sheet(factories.JOB, None, [], {}, None)
        with pytest.raises(InputError, match="sweep first"):
            draw_summary([], baselines={}, comparison=None, set_type=None)
        with pytest.raises(InputError, match="one path"):
            draw([])
        with pytest.raises(InputError, match="receive, transmit"):
            draw([factories.make_run("transmit"), factories.make_run("receive")])


LONG_STAGES = ("before", "fitted a new electret capsule number two", "unbroken" * 9, "after")


def measure_texts(figure: Any) -> Iterator[Any]:
    """Extent of every text that is shown, in parts of the figure."""
    figure.draw_without_rendering()
    width, height = figure.bbox.width, figure.bbox.height
    texts = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
    for text in texts:
        if text.get_text():
            box = text.get_window_extent()
            yield text.get_text(), box.x0 / width, box.x1 / width, box.y0 / height, box.y1 / height


class TestRoom:
    """Long names are cut or wrapped; nothing runs off the sheet or into its neighbour."""

    def draw_all(self) -> Iterator[Any]:
        runs = [
            factories.make_run("transmit", stage, seed=i) for i, stage in enumerate(LONG_STAGES)
        ]
        runs += [factories.make_run("receive", stage, seed=9) for stage in ("before", "after")]
        baselines = {path: factories.make_baseline(path) for path in ("transmit", "receive")}
        job = factories.replace(factories.JOB, label="a very long label " * 20)
        comparison = factories.make_comparison("after")
        shared = {"comparison": comparison, "set_type": factories.SET_TYPE}
        yield draw_response(runs[:4], baseline=baselines["transmit"], **shared)
        yield draw_summary(runs, baselines=baselines, **shared)
        yield draw_summary(runs, baselines=baselines, bare_height_mm=70.0, **shared)
        yield draw_job_sheet(job, factories.SET_TYPE, runs, baselines, comparison)

    def test_no_text_leaves_the_sheet(self) -> None:
        for figure in self.draw_all():
            for text, left, right, bottom, top in measure_texts(figure):
                assert left >= 0.0, text
                assert right <= 1.0, text
                assert bottom >= 0.0, text
                assert top <= 1.0, text

    def test_no_two_texts_cover_each_other(self) -> None:
        for figure in self.draw_all():
            boxes = list(measure_texts(figure))
            for one, two in itertools.combinations(boxes, 2):
                is_beside = one[2] <= two[1] or two[2] <= one[1]
                is_above = one[4] <= two[3] + 0.004 or two[4] <= one[3] + 0.004
                assert is_beside or is_above, (one[0], two[0])


class TestFiles:
    @pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
    def test_bytes_repeat(self, kind: str) -> None:
        runs = [factories.make_run("transmit", stage) for stage in ("before", "after")]
        first, second = (
            render_figure(draw(runs, baseline=factories.make_baseline()), kind) for _ in range(2)
        )
        assert first == second
        assert len(first) > 5000

    def test_png_is_large_enough_for_print(self) -> None:
        """180 mm at 200 dots per inch."""
        from PIL import Image

        image = Image.open(io.BytesIO(render_figure(draw([factories.make_run()]), "png")))
        assert image.size[0] == pytest.approx(180 / 25.4 * 200, abs=2)

    def test_saved_by_ending_and_nothing_left_aside(self, tmp_path: Path) -> None:
        for name in ("a.png", "b.svg", "c.PDF"):
            assert save_figure(draw([factories.make_run()]), tmp_path / "new" / name).exists()
        names = sorted(path.name for path in (tmp_path / "new").iterdir())
        assert names == ["a.png", "b.svg", "c.PDF"]

    def test_unknown_endings_and_unwritable_places_are_refused(self, tmp_path: Path) -> None:
        figure = draw([factories.make_run()])
        with pytest.raises(InputError, match="png, svg, pdf"):
            save_figure(figure, tmp_path / "chart.gif")
        (tmp_path / "file").write_text("here", encoding="utf-8")
        with pytest.raises(InputError, match="cannot be written"):
            save_figure(figure, tmp_path / "file" / "chart.png")

    def test_inline_charts_share_no_id(self) -> None:
        svg = render_figure(draw([factories.make_run()], baseline=factories.make_baseline()), "svg")
        one, two = (inline_svg(svg, prefix) for prefix in ("one", "two"))
        ids = [
            {node.get("id") for node in ET.fromstring(text).iter()} - {None} for text in (one, two)
        ]
        assert ids[0]
        assert not ids[0] & ids[1]
        for text, own in zip((one, two), ids, strict=True):
            used = {part.split(")")[0] for part in text.split("url(#")[1:]}
            used |= {part.split('"')[0] for part in text.split('href="#')[1:]}
            assert used <= own

    def test_importing_loads_no_matplotlib_and_drawing_no_pyplot(self) -> None:
        script = (
            "import sys, voicecheck.charts, voicecheck.report\n"
            "assert not {'matplotlib', 'jinja2', 'weasyprint', 'pandas'} & set(sys.modules)\n"
            "import factories\n"
            "figure = voicecheck.charts.draw_response([factories.make_run()], baseline=None,"
            " comparison=None, set_type=None)\n"
            "voicecheck.charts.render_figure(figure, 'png')\n"
            "assert 'matplotlib.pyplot' not in sys.modules\n"
        )
        folder = str(factories.__file__).rpartition("/")[0]
        subprocess.run([sys.executable, "-c", script], check=True, cwd=folder)


@given(
    st.lists(st.tuples(st.floats(0, 1), st.sampled_from([0.05, 0.1, 0.15])), min_size=1, max_size=6)
)
def test_labels_never_cover_each_other(entries: Any) -> None:
    entries.sort()
    wanted, heights = zip(*entries, strict=True)
    places = spread_apart(wanted, heights)
    edges = [(p - h / 2, p + h / 2) for p, h in zip(places, heights, strict=True)]
    assert edges[0][0] >= -1e-9
    assert edges[-1][1] <= 1 + 1e-9
    for (_, top), (bottom, _) in itertools.pairwise(edges):
        assert bottom >= top - 1e-9


def test_limits_and_stages_have_one_palette() -> None:
    """Of the page's style sheets only the palette names their colours, and charts name none."""
    web = PALETTE_FILE.parent
    stages = {style.colour for style in (*STAGE_STYLES.values(), *OTHER_STYLES)}
    colours = {BAND_FACE, BAND_EDGE, *stages}
    assert len(colours) == 8
    assert colours <= set(PALETTE.values())
    package = web.parents[1]
    named = [
        *web.glob("*.css"),
        *(package / "charts").glob("*.py"),
        *(package / "report").glob("*"),
    ]
    for path in named:
        if path.is_file() and path != PALETTE_FILE:
            text = path.read_text(encoding="utf-8").lower()
            assert [colour for colour in sorted(colours) if colour in text] == [], path.name


def test_every_colour_of_the_light_palette_has_its_dark_one() -> None:
    light, _, dark = PALETTE_FILE.read_text(encoding="utf-8").partition("@media")
    names = [set(re.findall(r"--(curve-[\w-]+):", part)) for part in (light, dark)]
    assert names[0] == names[1]
