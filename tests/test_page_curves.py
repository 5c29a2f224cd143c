# mypy: disable-error-code="assignment"
"""The figures of the page in a real browser: what is drawn, read out, chosen, and comes in live."""

from collections.abc import Iterator
from typing import Any

import pytest
from curvespage import serve_curves
from pagetest import HOSTILE, find_barriers, open_browser, watch_console

from voicecheck.charts.style import PALETTE

pytestmark = pytest.mark.page

# 1/12-octave midband frequencies, base ten (IEC 61260-1): 200 to 4000 Hz.
GRID_HZ = [round(1000.0 * 10.0 ** (0.3 * (k + 0.5) / 12.0), 3) for k in range(-28, 24)]
AT_1K = min(range(len(GRID_HZ)), key=lambda i: abs(GRID_HZ[i] / 1000.0 - 1.0))

COUNT_INK = """([name, left, right]) => {
  const canvas = document.querySelector('canvas');
  const copy = document.createElement('canvas');
  Object.assign(copy, {width: canvas.width, height: canvas.height});
  const probe = copy.getContext('2d', {willReadFrequently: true});
  probe.fillStyle = getComputedStyle(document.querySelector('.curves')).getPropertyValue(name);
  probe.fillRect(0, 0, 1, 1);
  const wanted = probe.getImageData(0, 0, 1, 1).data;
  probe.clearRect(0, 0, 1, 1);
  probe.drawImage(canvas, 0, 0);
  const from = Math.round(left * canvas.width), wide = Math.round((right - left) * canvas.width);
  const found = probe.getImageData(from, 0, wide, canvas.height).data;
  let n = 0;
  for (let i = 0; i < found.length; i += 4)
    n += found[i + 3] === 255 && [0, 1, 2].every((j) => Math.abs(found[i + j] - wanted[j]) < 8);
  return n;
}"""


def make_curve(
    number: Any, stage: Any, level_db: Any, *, label: Any = None, is_latest: Any = True
) -> Any:
    levels = [round(level_db + 0.01 * i, 3) for i in range(len(GRID_HZ))]
    return {
        "run": number,
        "stage": stage,
        "label": label or f"{stage}, 3 seats, 2031-04-02 09:30 UTC",
        "level_db": levels,
        "uncertainty_db": [0.8] * len(GRID_HZ),
        "is_latest": is_latest,
    }


def make_entry(runs: Any, *, path: Any = "transmit", baseline: Any = None) -> Any:
    return {
        "path": path,
        "unit": "dB relative",
        "frequency_hz": GRID_HZ,
        "runs": runs,
        "baseline": baseline,
    }


def make_document(*entries: Any) -> Any:
    return {"job": 3, "paths": list(entries)}


def make_seat(seat: Any, level_db: Any, *, path: Any = "transmit") -> Any:
    return {
        "job": 3,
        "stage": "after",
        "path": path,
        "unit": "dB relative",
        "seat": seat,
        "n_seats": 3,
        "frequency_hz": GRID_HZ,
        "level_db": [level_db] * len(GRID_HZ),
        "uncertainty_db": [0.5] * len(GRID_HZ),
    }


def send(page: Any, kind: Any, detail: Any) -> None:
    script = "([k, d]) => document.dispatchEvent(new CustomEvent(`bench:${k}`, {detail: d}))"
    page.evaluate(script, [kind, detail])


def count_ink(page: Any, colour: Any, left: Any = 0.0, right: Any = 1.0) -> Any:
    """Pixels of a line's colour between two parts of the canvas's width."""
    return page.evaluate(COUNT_INK, [f"--{colour}", left, right])


def wait_until(page: Any, condition: Any) -> None:
    """Frame by frame until a script expression holds; the driver's own wait would need eval."""
    page.evaluate(
        "async () => { for (let i = 0; i < 300; i += 1) {"
        f" if ({condition}) return; await new Promise(requestAnimationFrame); }}"
        " throw new Error('it never came true'); }"
    )


def wait_for_ink(page: Any, colour: Any, least: Any) -> None:
    """Until more than so many pixels are of a colour; drawing follows an event a little later."""
    wait_until(page, f"({COUNT_INK})(['--{colour}', 0, 1]) > {least}")


def see(number: Any, digits: Any = 1) -> Any:
    """A number as it stands on the page, with a true minus sign."""
    return f"{number:.{digits}f}".replace("-", "\u2212")


@pytest.fixture(scope="module")
def context() -> Iterator[Any]:
    with open_browser(viewport={"width": 900, "height": 800}) as context:
        yield context


@pytest.fixture
def page(context: Any) -> Iterator[Any]:
    page = context.new_page()
    page.told = watch_console(page)
    yield page
    assert page.told == []
    page.close()


def show(page: Any, address: Any) -> None:
    page.goto(address)
    page.locator("canvas").first.wait_for()


def test_before_and_after_are_drawn_and_the_first_choice_leaves_earlier_runs_out(page: Any) -> None:
    runs = [
        make_curve(1, "before", -20.0, is_latest=False),
        make_curve(2, "before", -14.0),
        make_curve(3, "new capsule", -10.0),
        make_curve(4, "after", -6.0),
    ]
    limits = {"label": "Lakeside 4, 8 sets"}
    for name, level in (("low_db", -12.0), ("mean_db", -7.0), ("high_db", -2.0)):
        limits[name] = [level] * len(GRID_HZ)
    with serve_curves(make_document(make_entry(runs, baseline=limits))) as address:
        show(page, address)
        assert page.locator("canvas").count() == 1
        ticked = page.locator("input:checked").evaluate_all(
            "boxes => boxes.map((box) => box.dataset.line)"
        )
        assert ticked == ["limits", "2", "4"]
        n_solid, n_dashed = count_ink(page, "curve-2"), count_ink(page, "curve-1")
        # Two pixels high and most of the canvas wide; dashes of 8 px with 4 px between them.
        assert n_solid > 900
        assert 0.5 * n_solid < n_dashed < 0.8 * n_solid
        assert count_ink(page, "curve-limits") > 10_000
        assert count_ink(page, "curve-4") == 0
        page.get_by_text("Earlier runs (1)").click()
        page.locator("li.curve-earlier").get_by_label("before, 3 seats").check()
        assert page.locator(".curve-words").first.text_content().count("before, 3 seats") == 2
        assert find_barriers(page) == []


def test_frequency_axis_has_the_ticks_of_the_trade(page: Any) -> None:
    """Text on a canvas cannot be read back, so what is written there is caught as it is drawn."""
    page.add_init_script(
        "window.drawn = []; const write = CanvasRenderingContext2D.prototype.fillText;"
        "CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) {"
        " window.drawn.push([String(text), rest[0]]); return write.call(this, text, ...rest); };"
    )
    with serve_curves(make_document(make_entry([make_curve(1, "after", -6.0)]))) as address:
        show(page, address)
        wait_until(page, "window.drawn.length > 6")
        drawn = dict(page.evaluate("window.drawn"))
    labels = ["200", "300", "500", "1k", "2k", "3.4k"]
    places = [drawn[label] for label in labels]
    assert places == sorted(places)
    # On a logarithmic axis an octave is as wide anywhere: 500 to 1k as 1k to 2k.
    assert places[3] - places[2] == pytest.approx(places[4] - places[3], abs=2.0)
    levels = sorted(
        int(text.replace("\u2212", "-")) for text in drawn if text not in {*labels, "Hz"}
    )
    assert levels[-1] - levels[0] >= 30
    assert all(level % 5 == 0 for level in levels)


def test_keyboard_reads_out_what_the_program_gave(page: Any) -> None:
    before, after = make_curve(1, "before", -14.0), make_curve(2, "after", -6.0)
    with serve_curves(make_document(make_entry([before, after]))) as address:
        show(page, address)
        page.get_by_role("img", name="Transmit: level against frequency, dB relative").focus()
        for key, i in (("ArrowRight", AT_1K + 1), ("Home", 0), ("ArrowLeft", 0), ("End", 51)):
            page.keyboard.press(key)
            hz = f"{GRID_HZ[i]:.0f} Hz"
            assert hz in page.locator(".curve-at").text_content()
            values = page.locator(".curve-value").all_text_contents()
            wanted = [f"{see(run['level_db'][i])} \u00b1 0.8" for run in (before, after)]
            assert values == wanted
            said = page.locator("[aria-live=polite]").text_content()
            assert said.startswith(hz)
            assert all(value in said for value in wanted)


def test_pointer_reads_out_the_point_under_it(page: Any) -> None:
    run = make_curve(1, "after", -6.0)
    with serve_curves(make_document(make_entry([run]))) as address:
        show(page, address)
        box = page.locator(".u-over").bounding_box()
        page.mouse.move(box["x"] + box["width"] - 2, box["y"] + 40)
        page.get_by_text(f"At {GRID_HZ[-1]:.0f} Hz").wait_for()
        values = page.locator(".curve-value").all_text_contents()
        assert values == [f"{see(run['level_db'][-1])} \u00b1 0.8"]


def test_an_unticked_run_is_gone_and_stays_so(page: Any) -> None:
    runs = [make_curve(1, "before", -14.0), make_curve(2, "after", -6.0)]
    with serve_curves(make_document(make_entry(runs))) as address:
        show(page, address)
        page.get_by_label("before").uncheck()
        for _ in range(2):
            assert count_ink(page, "curve-1") == 0
            assert count_ink(page, "curve-2") > 900
            assert page.locator(".curve-value").all_text_contents()[0] == ""
            page.reload()
            page.locator("canvas").wait_for()
        page.get_by_label("before").check()
        assert count_ink(page, "curve-1") > 300


def test_withheld_points_are_a_gap(page: Any) -> None:
    run = make_curve(1, "after", -6.0)
    for i in range(AT_1K - 4, AT_1K + 5):
        run["level_db"][i] = run["uncertainty_db"][i] = None
    with serve_curves(make_document(make_entry([run]))) as address:
        show(page, address)
        # The gap lies about 1 kHz, the middle of 200 to 4000 Hz a little above it.
        assert count_ink(page, "curve-2", 0.51, 0.54) == 0
        assert count_ink(page, "curve-2", 0.2, 0.3) > 100
        page.get_by_text("Numbers").click()
        assert page.locator(".curve-value").all_text_contents() == ["withheld"]
        assert page.get_by_role("row").filter(has_text="withheld").count() == 1


def test_a_point_alone_between_gaps_is_still_seen(page: Any) -> None:
    run = make_curve(1, "after", -6.0)
    run["level_db"] = [None] * len(GRID_HZ)
    run["level_db"][5] = -6.0
    with serve_curves(make_document(make_entry([run]))) as address:
        show(page, address)
        assert 5 < count_ink(page, "curve-2") < 100


def test_hostile_labels_are_text(page: Any) -> None:
    labels = [
        *HOSTILE,
        "__proto__",
        "constructor",
        "<img src=x onerror=document.title='taken'>",
        "\u05d0\u05d1\u05d2 " * 200,
    ]
    runs = [make_curve(i, label, -6.0 - i, label=label) for i, label in enumerate(labels, 1)]
    limits = {name: [-6.0] * len(GRID_HZ) for name in ("low_db", "mean_db", "high_db")}
    document = make_document(make_entry(runs, baseline={**limits, "label": labels[-2]}))
    with serve_curves(document) as address:
        page.set_viewport_size({"width": 390, "height": 800})
        show(page, address)
        page.get_by_text("Numbers").click()
        for box in page.locator(".curve-key input").all():
            box.check()
        shown = page.locator(".curve-label").all_text_contents()
        assert shown == [f"limits of {labels[-2]}", *labels]
        assert page.title() == "Figures"
        assert page.locator("main img").count() == 0
        page.set_viewport_size({"width": 900, "height": 800})
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= 900


def test_seats_come_in_at_once_and_give_way_to_their_run(page: Any) -> None:
    document = make_document(make_entry([make_curve(1, "before", -14.0)]))
    with serve_curves(document) as address:
        show(page, address)
        assert count_ink(page, "curve-2") == 0
        send(page, "seat", make_seat(1, -6.0))
        send(page, "seat", make_seat(2, -5.0))
        send(page, "seat", {**make_seat(3, -4.0), "job": 4})
        assert page.locator(".curve-label").all_text_contents()[1:] == [
            "seat 1 of 3",
            "seat 2 of 3",
        ]
        assert page.locator(".curve-value").nth(2).text_content() == f"{see(-5.0)} \u00b1 0.5"
        assert count_ink(page, "curve-2") > 0
        document["paths"][0]["runs"].append(make_curve(2, "after", -5.5))
        send(page, "job-3", {})
        page.get_by_label("after, 3 seats").wait_for()
        assert page.get_by_text("seat 1 of 3").count() == 0
        assert count_ink(page, "curve-2") > 900


def test_the_first_sweep_of_a_job_is_followed_from_its_rough_trace_to_its_run(page: Any) -> None:
    document = make_document()
    with serve_curves(document) as address:
        page.goto(address)
        page.get_by_text("No run yet").wait_for()
        trace = {"job": 3, "path": "receive", "points": [[400.0, -30.0]], "is_new": True}
        send(page, "trace", trace)
        for i in range(1, 8):
            points = [[400.0 * 1.3**i, -30.0 + i]]
            send(page, "trace", {**trace, "points": points, "is_new": False})
        page.get_by_text("rough, while playing").wait_for()
        page.locator("canvas").wait_for()
        wait_for_ink(page, "curve-trace", 0)
        send(page, "seat", make_seat(1, -6.0, path="receive"))
        page.get_by_title("seat 1 of 3").wait_for()
        assert page.get_by_text("rough, while playing").count() == 0
        assert count_ink(page, "curve-trace") == 0
        document["paths"].append(make_entry([make_curve(1, "after", -6.0)], path="receive"))
        send(page, "job-3", {})
        page.get_by_label("after, 3 seats").wait_for()
        assert page.locator("canvas").count() == 1
        assert page.locator(".curve h3").all_text_contents() == ["Receive dB relative"]


def test_sets_of_a_type_are_shown_side_by_side(page: Any) -> None:
    document = make_document(make_entry([make_curve(i, "reference", -5.0 - i) for i in (1, 2, 3)]))
    with serve_curves(document, 'data-topic="types"') as address:
        show(page, address)
        assert page.locator(".curve-key input:checked").count() == 3
        document["paths"][0]["runs"].append(make_curve(4, "reference", -12.0))
        send(page, "types", {})
        page.locator(".curve-key input").nth(3).wait_for()
        assert page.locator(".curve-key input:checked").count() == 4


def test_choice_place_and_focus_outlast_a_new_run(page: Any) -> None:
    runs = [make_curve(1, "before", -14.0), make_curve(2, "after", -6.0)]
    document = make_document(make_entry(runs))
    with serve_curves(document) as address:
        show(page, address)
        page.get_by_role("img").focus()
        page.keyboard.press("Home")
        page.get_by_label("before").uncheck()
        runs[1]["is_latest"] = False
        runs.append(make_curve(3, "after", -5.0))
        send(page, "job-3", {})
        page.get_by_text("Earlier runs (1)").wait_for()
        assert not page.get_by_label("before").is_checked()
        assert page.evaluate("document.activeElement.dataset.line") == "1"
        assert f"{GRID_HZ[0]:.0f} Hz" in page.locator(".curve-at").text_content()


def test_figures_follow_their_room_the_mode_and_paper(page: Any) -> None:
    run = make_curve(1, "after", -6.0)
    page.emulate_media(color_scheme="light")
    with serve_curves(make_document(make_entry([run]))) as address:
        show(page, address)
        page.set_viewport_size({"width": 390, "height": 800})
        wait_until(page, "document.querySelector('canvas').clientWidth < 390")
        assert count_ink(page, "curve-2") > 200
        page.emulate_media(color_scheme="dark")
        wait_for_ink(page, "curve-2", 200)
        page.emulate_media(media="print", color_scheme="dark")
        page.locator(".curves.on-paper").wait_for()
        wait_for_ink(page, "curve-2", 200)
        assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
        ink = page.locator(".curves").evaluate(
            "(one) => getComputedStyle(one).getPropertyValue('--curve-2')"
        )
        assert ink.strip() == PALETTE["2"]
        assert page.locator(".curve-key input:visible").count() == 0
        assert page.locator(".curve-key .sample:visible").count() == 1


def test_a_server_that_does_not_answer_is_told(page: Any) -> None:
    with serve_curves(make_document(make_entry([make_curve(1, "after", -6.0)]))) as address:
        show(page, address)
        page.route("**/jobs/3/curves", lambda route: route.abort())
        send(page, "job-3", {})
        page.get_by_text("The curves could not be loaded").wait_for()
        assert page.locator("canvas").count() == 1
        page.told.clear()  # the browser itself notes the request that failed
