# mypy: disable-error-code="index,no-untyped-call,var-annotated"
"""The other checks in the page, from the form to what is shown and kept."""

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from pagetest import (
    AXE,
    HOSTILE,
    TAB,
    fill_book,
    find_barriers,
    open_browser,
    open_client,
    serve_book,
    serve_here,
    watch_console,
)

from voicecheck.bench import soundcard
from voicecheck.checkout.bell import RINGING_CAUTION
from voicecheck.checkout.kinds import HEARING_CAUTION
from voicecheck.checkout.signals import resample
from voicecheck.records import BenchSetup, Conditions, Recording
from voicecheck.web.desk import Prompt
from voicecheck.workflow.benches.store import add_setup
from voicecheck.workflow.books import open_book
from voicecheck.workflow.checks import take as taking
from voicecheck.workflow.checks.run import list_checks, run_check
from voicecheck.workflow.checks.source import Source
from voicecheck.workflow.checks.take import take_scene
from voicecheck.workflow.papers.listening import write_listening_file

FIGURES = {
    "dial": ("slow:370", lambda check: f"{check.pulses_per_s:.2f} pulses/s"),
    "tones": ("twisted:15", lambda check: f"twist {check.events[0].twist_db:+.1f} dB"),
    "flex": ("cord-break", lambda check: f"{check.events[0].depth_db:+.1f}</td>"),
    "bell": ("healthy", lambda check: f"{check.strikes_per_s:.2f} per s"),
    "speak": ("quiet", lambda check: f"{check.active_level_dbfs:.1f} dBFS"),
}
"""A made scene of each kind, and one figure as the page must show it."""
MULTIPART = {"none": ("", b"")}
STEPS = range(1, 27)


@pytest.fixture
def devices(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever device is named is there, until it is played on."""
    monkeypatch.setattr("voicecheck.web.checkorder.check_present", lambda *_: None)


@pytest.fixture
def folder(tmp_path: Path) -> Any:
    return fill_book(tmp_path / "book")


@pytest.fixture
def client(folder: Any) -> Iterator[Any]:
    with open_client(folder) as client:
        yield client


def order(client: Any, kind: Any, files: Any = MULTIPART, **fields: Any) -> Any:
    """Send a form; the answer to it, once the work that it began has ended."""
    answer = client.post(f"/jobs/1/checks/{kind}", data={"tab": TAB, **fields}, files=files)
    client.desk.wait(60)
    return answer


def take(client: Any, kind: Any, scene: Any, **fields: Any) -> None:
    assert order(client, kind, on=f"simulated:{scene}", **fields).status_code == 200
    assert client.desk.status.line.startswith("Done"), client.desk.status.line


def get_section(client: Any, kind: Any) -> Any:
    page = client.get("/jobs/1/checks").text
    return page.partition(f'<section id="{kind}"')[2].partition("</section>")[0]


def get_kept(folder: Any) -> Any:
    with open_book(folder) as book:
        return list_checks(book, 1)


def save_wav(path: Any, samples: Any, rate_hz: Any = 48000) -> Any:
    soundfile.write(path, samples, rate_hz, subtype="PCM_24")
    return path


@pytest.mark.parametrize("kind", FIGURES)
def test_a_made_scene_shows_what_the_workflow_finds(client: Any, folder: Any, kind: Any) -> None:
    scene, say = FIGURES[kind]
    expected, _ = run_check(kind, Source(simulated=scene))
    take(client, kind, scene.partition(":")[0], words=scene)
    section = get_section(client, kind)
    assert say(expected) in section
    assert "made scene" in section
    (kept,) = get_kept(folder)
    assert (kept.kind, kept.stage, kept.bench) == (kind, "before", "simulated")


def list_choices(client: Any, kind: Any) -> list[str]:
    """What the form offers as the place that sound comes from, what is preselected first."""
    section = get_section(client, kind)
    chosen = section.partition('<select name="on" required>')[2].partition("</select>")[0]
    return re.findall(r'<option value="([^"]*)"', chosen)


@pytest.mark.parametrize("kind", FIGURES)
def test_no_source_is_chosen_for_anyone_without_a_bench(
    client: Any, folder: Any, kind: Any
) -> None:
    """No source of sound is preselected for a real job unless a bench was set up."""
    assert list_choices(client, kind) == ["", "device:", "recording:"]
    refused = order(client, kind, on="")
    assert refused.status_code == 400
    assert "choose where the sound comes from" in refused.text
    assert get_kept(folder) == []
    with open_book(folder) as book:
        add_setup(book, BenchSetup(name="attic", device="Oak", rate_hz=48000))
    assert list_choices(client, kind) == ["device:", "recording:"]
    assert "the bench attic" in get_section(client, kind)


@pytest.mark.parametrize("kind", FIGURES)
def test_a_made_scene_lies_behind_its_own_fold(client: Any, folder: Any, kind: Any) -> None:
    fold = get_section(client, kind).partition("<summary>Try it without a bench</summary>")
    assert fold[0].rstrip().endswith("<details>")
    assert 'name="scene"' not in fold[0]
    scene = re.search(r'<select name="scene">\s*<option value="([^"]+)"', fold[2])[1]
    # The field above may hold whatever it holds: the button of the fold says what is meant.
    order(client, kind, on="device:", **{"try": "1", "scene": scene})
    (kept,) = get_kept(folder)
    assert kept.bench == "simulated"
    assert 'class="simulated"><strong>SIMULATED' in client.get("/jobs/1/checks").text


@pytest.mark.parametrize("kind", FIGURES)
def test_an_uploaded_recording_is_analysed_and_kept_as_it_is(
    client: Any, folder: Any, tmp_path: Path, kind: Any
) -> None:
    scene, say = FIGURES[kind]
    sound = take_scene(kind, Source(simulated=scene))
    file = save_wav(tmp_path / f"{kind} as found.wav", 0.9 * sound.samples, sound.rate_hz)
    expected, _ = run_check(kind, Source(recording=file))
    with file.open("rb") as content:
        files = {"recording": (file.name, content)}
        order(client, kind, files=files, on="recording:", stage="after")
    section = get_section(client, kind)
    assert say(expected) in section
    assert "After the work" in section
    assert "SIMULATED" not in client.get("/jobs/1/checks").text
    (kept,) = get_kept(folder)
    address = re.search(r'href="(/jobs/1/files/[^"]+)"', section)[1]
    assert client.get(address).content == file.read_bytes()
    assert kept.sound_sha256 in address


def test_readings_of_the_line_are_kept_with_their_verdicts(client: Any, folder: Any) -> None:
    fields = {"loop_ma": "31,5", "on_hook_v": "48", "accepts_pulses": "no", "note": "adapter"}
    client.post("/jobs/1/checks/line", data=fields)
    section = get_section(client, "line")
    for words in ("31.5 mA", "48.0 V", "no-pulse-dialling", "adapter", "✓ within"):
        assert words in section
    (kept,) = get_kept(folder)
    assert (kept.check.loop_ma, kept.check.accepts_pulses) == (31.5, False)


def test_readings_out_of_range_are_refused(client: Any, folder: Any) -> None:
    for fields in (
        {"loop_ma": ""},
        {"loop_ma": "nan"},
        {"loop_ma": "31000"},
        {"loop_ma": "x"},
        {"loop_ma": "30", "accepts_pulses": "perhaps"},
        {"loop_ma": "30", "stage": "reference"},
    ):
        assert client.post("/jobs/1/checks/line", data=fields).status_code == 400
    assert get_kept(folder) == []


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("dial", {"region": "Atlantis"}),
        ("dial", {"stage": "reference"}),
        ("dial", {"on": ""}),
        ("dial", {"on": "device:", "device": " "}),
        ("dial", {"on": "recording:"}),
        ("dial", {"seconds": "nan"}),
        ("dial", {"seconds": "1e9"}),
        ("dial", {"seconds": "0"}),
        ("dial", {"tone_hz": "inf"}),
        ("dial", {"tone_hz": "9000"}),
        ("dial", {"level_dbfs": "-3"}),
        ("dial", {"channel": "0"}),
        ("dial", {"seed": "1.5"}),
        ("dial", {"words": "x" * 201}),
        ("dial", {"tab": ""}),
        ("dial", {"files": {"recording": ("a.wav", b"RIFF")}}),
        ("flex", {"moved": "table"}),
        ("flex", {"beat_s": "0"}),
        ("flex", {"places": ",".join("abcdefghijklmn")}),
    ],
)
def test_a_form_out_of_range_starts_nothing(
    client: Any, folder: Any, kind: str, fields: Any
) -> None:
    number = client.desk.status.number
    assert order(client, kind, **{"on": "simulated:healthy", **fields}).status_code == 400
    assert client.desk.status.number == number
    assert get_kept(folder) == []


def test_a_refused_form_comes_back_as_it_was_typed(client: Any) -> None:
    typed = {"on": "device:", "device": "invented card", "words": "slow:1", "no_play": "1"}
    refused = order(client, "flex", **typed, seconds="1e9", moved="hook", places="plug")
    assert refused.status_code == 400
    form = refused.text.partition('action="/jobs/1/checks/flex"')[2].partition("</form>")[0]
    for words in ("invented card", "slow:1", "plug", "1e9"):
        assert f'value="{words}"' in form
    assert '<option value="device:" selected>' in form
    assert "<option selected>hook</option>" in form
    assert refused.text.count("seconds: need 2 to 600 s") == 2
    refused = client.post("/jobs/1/checks/line", data={"loop_ma": "3o", "note": "by the door"})
    assert 'value="3o"' in refused.text
    assert 'value="by the door"' in refused.text


def test_a_coding_without_header_is_chosen_by_its_ending(client: Any, folder: Any) -> None:
    """A-law of 8 kHz for the dial; what the bell cannot use its form does not take."""
    sound = take_scene("dial", Source(simulated="healthy:37"))
    samples = resample(sound.samples, sound.rate_hz, 8000)
    raw = io.BytesIO()
    soundfile.write(raw, samples, 8000, subtype="ALAW", format="RAW")
    content = raw.getvalue()
    page = client.get("/jobs/1/checks").text
    assert ".alaw" in page
    order(client, "dial", files={"recording": ("heard.AL", content)}, on="recording:")
    (kept,) = get_kept(folder)
    assert kept.check.number == "37"
    assert "G.711" in get_section(client, "dial")
    answer = order(client, "bell", files={"recording": ("heard.al", content)}, on="recording:")
    assert answer.status_code == 400
    assert "nothing was kept" in answer.text


@pytest.mark.parametrize(
    ("name", "content"),
    [("sound.txt", b"RIFF"), ("sound.wav", b"not a sound"), ("sound.exe", b"MZ")],
)
def test_another_kind_of_file_is_refused(
    client: Any, folder: Any, name: str, content: bytes
) -> None:
    answer = order(client, "dial", files={"recording": (name, content)}, on="recording:")
    assert answer.status_code == 400
    assert "nothing was kept" in answer.text
    with open_book(folder) as book:
        assert book.load_job(1).attachments == ()


def test_what_is_not_there_is_not_found(client: Any) -> None:
    assert order(client, "nonsense", on="simulated:healthy").status_code == 404
    assert client.post("/jobs/9/checks/dial", data={"tab": TAB}).status_code == 400
    for path in ("9/checks", "9/list", "x/checks", "1/checks/dial/0.svg", "1/listen.wav"):
        assert client.get(f"/jobs/{path}").status_code == 404


@pytest.mark.parametrize("words", ["nonsense", "healthy:abc", *HOSTILE[:5]])
def test_words_of_no_scene_end_in_a_line(client: Any, folder: Any, words: Any) -> None:
    order(client, "dial", on="simulated:healthy", words=words)
    assert client.desk.status.is_failed
    assert "fault" not in client.desk.status.line
    assert "<script" not in client.get("/desk").text.replace("<script src", "")
    assert get_kept(folder) == []


def test_an_unusable_recording_leaves_a_line_and_is_kept(
    client: Any, folder: Any, tmp_path: Path
) -> None:
    file = save_wav(tmp_path / "silent.wav", np.zeros(96000))
    with file.open("rb") as content:
        order(client, "dial", files={"recording": (file.name, content)}, on="recording:")
    assert client.desk.status.is_failed
    assert "silent" in client.desk.status.line
    assert client.desk.status.line.endswith("the recording is kept with job 1")
    with open_book(folder) as book:
        assert [one.name for one in book.load_job(1).attachments] == ["silent.wav"]
    assert "Nothing yet" in get_section(client, "dial")


def test_cautions_stand_before_purpose_results_and_form(client: Any) -> None:
    section = get_section(client, "bell")
    places = [section.index(words) for words in (RINGING_CAUTION, "Strike rate", "Nothing yet")]
    assert places == sorted(places)
    assert section.index("<form") > places[-1]


def test_older_results_are_folded_and_only_the_latest_fills_a_step(client: Any) -> None:
    take(client, "dial", "slow")
    take(client, "dial", "healthy", stage="before")
    section = get_section(client, "dial")
    now, _, earlier = section.partition("Earlier (1)")
    assert "10.0" in now
    assert 'list#step-7">step 7</a>.' in now
    assert "8." in earlier
    assert "step-7" not in earlier


def test_each_part_of_a_flex_check_stands_for_itself(client: Any) -> None:
    take(client, "flex", "healthy", moved="hook", stage="after")
    take(client, "flex", "healthy", moved="cord", stage="after")
    section = get_section(client, "flex")
    assert "Earlier" not in section
    assert {"step-13", "step-14"} == set(re.findall(r"step-\d+", section))


def test_the_picture_of_a_dial_check_says_its_numbers(client: Any) -> None:
    take(client, "dial", "bouncing", words="bouncing:37")
    section = get_section(client, "dial")
    assert re.search(r'alt="[^"]*37 dialled, 10\.\d\d pulses/s', section)
    picture = client.get("/jobs/1/checks/dial/0.svg")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert "Dialled: 37" in picture.text
    assert client.get("/jobs/1/checks/dial/0.png").content.startswith(b"\x89PNG")
    for name in ("1.svg", "0.pdf", "x.svg", "0", "-1.svg", "99999999999.svg"):
        assert client.get(f"/jobs/1/checks/dial/{name}").status_code == 404


def test_before_and_after_can_be_heard_once_there_are_both(
    client: Any, folder: Any, tmp_path: Path
) -> None:
    take(client, "speak", "quiet")
    assert "<audio" not in get_section(client, "speak")
    # The stage is the job's, and changes by nothing but somebody saying so.
    client.post("/jobs/1/state", data={"state": "done"})
    take(client, "speak", "loud")
    assert "<audio" in get_section(client, "speak")
    with open_book(folder) as book:
        expected = write_listening_file(book, 1, tmp_path / "listen.wav").read_bytes()
    heard = client.get("/jobs/1/listen.wav")
    assert heard.content == expected
    part = client.get("/jobs/1/listen.wav", headers={"range": "bytes=0-3"})
    assert (part.status_code, part.content) == (206, b"RIFF")


def play_into(monkeypatch: pytest.MonkeyPatch, samples: Any, after: Any = lambda: None) -> None:
    """Let the sound device hear these samples, then call `after`, then silence without end."""

    def listen(_wiring: Any, _rate_hz: Any) -> Iterator[Any]:
        for block in np.array_split(samples, len(samples) // 4800):
            yield block[:, None]
        after()
        while True:
            yield np.zeros((4800, 1))

    monkeypatch.setattr(soundcard, "listen", listen)


def begin(client: Any, kind: Any, **fields: Any) -> Any:
    """Order a check at a sound device, and press the button of its prompt; the prompt."""
    data = {"tab": TAB, "on": "device:", "device": "invented card", **fields}
    assert client.post(f"/jobs/1/checks/{kind}", data=data, files=MULTIPART).status_code == 200
    for _ in range(200):
        if client.desk.status.prompt is not None:
            break
        client.desk.wait(0.05)
    prompt = client.desk.status.prompt
    client.post("/desk/go", data={"go": "1", "prompt": str(prompt.number)})
    client.desk.wait(60)
    return prompt


def watch_lines(client: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Lines of the work as they are told."""
    told, change = [], client.desk.change

    def note(**changes: Any) -> None:
        told.append(changes.get("line"))
        change(**changes)

    monkeypatch.setattr(client.desk, "change", note)
    return told


@pytest.mark.usefixtures("devices")
def test_digits_roll_by_while_they_are_dialled(
    client: Any, folder: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = take_scene("dial", Source(simulated="healthy:370"))
    play_into(monkeypatch, sound.samples)
    told = watch_lines(client, monkeypatch)
    prompt = begin(client, "dial", no_play="1", seconds=str(int(sound.duration_s)))
    assert (prompt.caution, prompt.button) == ("", "Begin")
    heard = [line for line in told if line and line.startswith("Heard so far")]
    assert heard[0] == "Heard so far: 3"
    assert "Heard so far: 37" in heard
    (kept,) = get_kept(folder)
    assert (kept.check.number, kept.bench) == ("370", "invented card")


@pytest.mark.usefixtures("devices")
def test_what_was_recorded_before_a_stop_counts(
    client: Any, folder: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = take_scene("dial", Source(simulated="healthy:370"))
    play_into(monkeypatch, sound.samples, after=client.desk.stop)
    begin(client, "dial", no_play="1", seconds="600")
    assert client.desk.status.line.startswith("Stopped early")
    (kept,) = get_kept(folder)
    assert kept.check.number == "370"


@pytest.mark.usefixtures("devices")
def test_a_stop_at_once_keeps_nothing(
    client: Any, folder: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    play_into(monkeypatch, np.zeros(9600), after=client.desk.stop)
    begin(client, "bell")
    assert "nothing was finished" in client.desk.status.line
    assert get_kept(folder) == []


@pytest.mark.usefixtures("devices")
def test_the_beat_is_shown_and_its_place(
    client: Any, folder: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = take_scene("flex", Source(simulated="healthy"))
    play_into(monkeypatch, sound.samples)
    told = watch_lines(client, monkeypatch)
    at = client.desk.journal.end
    begin(client, "flex", no_play="1", seconds="10", moved="cord", places="plug, handset end")
    beats = [data for kind, data in client.desk.journal.read(at)[0] if kind == "beat"]
    assert [beat["number"] for beat in beats] == list(range(1, 11))
    assert "1: move the cord now (plug)" in told
    assert "9: move the cord now (handset end)" in told
    assert get_kept(folder)[0].part == "cord"


@pytest.mark.usefixtures("devices")
def test_a_beat_that_is_shown_is_the_movement_that_is_counted(
    client: Any, folder: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cord that breaks 0.1 s after each beat has its dropouts there, retake or no."""
    seconds, shown_s = 8.0, []

    def play(
        _check: Any, _source: Any, programme: Any, _path: Any, *, progress: Any, ear: Any
    ) -> Any:
        lead_s, whole_s = taking.get_take_length(seconds)
        for is_last in (False, True):
            shown_s.clear()
            for now_s in np.arange(0.0, whole_s if is_last else whole_s / 2, 0.01):
                at = client.desk.journal.end
                progress(now_s / whole_s, -20.0)
                if any(kind == "beat" for kind, _ in client.desk.journal.read(at)[0]):
                    shown_s.append(now_s - lead_s)
        samples = programme.samples.copy()
        time_s = np.arange(len(samples)) / 48000
        for at_s in shown_s:
            samples[(time_s > at_s + 0.1) & (time_s < at_s + 0.15)] *= 0.01
        samples = np.concatenate([samples, np.zeros(96000)])
        return Recording(samples=samples, rate_hz=48000, conditions=Conditions(path="loop"))

    monkeypatch.setattr(taking, "_play", play)
    begin(client, "flex", seconds=str(seconds))
    events = get_kept(folder)[0].check.events
    assert [event.movement for event in events] == list(range(1, len(shown_s) + 1))
    assert len(shown_s) == 7
    assert np.allclose([event.at_s for event in events], np.arange(1, 8) + 0.1, atol=0.03)


def test_a_device_that_is_absent_is_told_before_anybody_is_asked(client: Any, folder: Any) -> None:
    data = {"tab": TAB, "on": "device:", "device": "invented card"}
    client.post("/jobs/1/checks/bell", data=data, files=MULTIPART)
    client.desk.wait(60)
    assert client.desk.status.is_failed
    assert client.desk.status.prompt is None
    assert "invented card" in client.desk.status.line or "PortAudio" in client.desk.status.line
    assert get_kept(folder) == []


@pytest.mark.usefixtures("devices")
def test_a_tone_is_warned_of_and_a_device_that_is_not_there_is_told(
    client: Any, folder: Any
) -> None:
    prompt = begin(client, "flex")
    assert prompt.caution == HEARING_CAUTION
    assert client.desk.status.is_failed
    assert "invented card" in client.desk.status.line
    assert get_kept(folder) == []


@pytest.mark.page
def test_a_dial_check_and_a_step_by_keyboard_alone(folder: Any) -> None:
    """Tab, Enter and letters are enough, and nothing on either page bars anyone."""
    with serve_book(folder) as served, open_browser(reduced_motion="reduce") as context:
        page = context.new_page()
        told = watch_console(page)
        page.goto(served.address)
        page.goto(f"{served.base}/jobs/1/checks")
        press_until(page, 'section#dial summary:has-text("Try it without a bench")')
        page.keyboard.press("Enter")
        press_until(page, 'section#dial button:has-text("Start the simulated check")')
        page.keyboard.press("Enter")
        page.locator("#results-dial table").first.wait_for()
        page.locator("#work", has_text="Done").wait_for()
        page.evaluate(
            "document.dispatchEvent(new CustomEvent('bench:beat',"
            " {detail: {number: 3, line: '3: move the cord now'}}))"
        )
        assert page.locator("#beat").is_visible()
        assert page.locator("[data-beat]").evaluate("one => one.getAnimations().length") == 0
        assert "1234567890 dialled" in page.locator("#results-dial").inner_text()
        assert find_faults(page) == []
        page.goto(f"{served.base}/jobs/1/list")
        assert "measured" in page.locator("#state-7").inner_text()
        press_until(page, 'input[name="say-2"]')
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Space")
        page.locator("#state-3", has_text="done").wait_for()
        page.keyboard.press("Tab")
        page.keyboard.type("none found")
        page.keyboard.press("Enter")
        page.locator("#state-3", has_text="none found").wait_for()
        assert find_faults(page) == []
        assert told == []


@pytest.mark.page
def test_stop_keeps_the_focus(folder: Any) -> None:
    """The panel is made anew at each beat; Enter must not fall on another button of it."""
    with serve_here(folder) as (address, desk), open_browser() as context:
        page = context.new_page()
        page.goto(address)
        tab = page.evaluate("sessionStorage.getItem('bench-tab')")
        desk.start("Try", lambda handle: str(handle.ask(Prompt(title="Begin it"))), tab=tab)
        page.locator("[data-go]").wait_for()
        page.get_by_role("button", name="Stop").focus()
        page.evaluate("document.querySelector('#work .stop').dataset.old = 'yes'")
        page.evaluate("document.dispatchEvent(new CustomEvent('bench:work', {detail: {}}))")
        page.locator("#work .stop:not([data-old])").wait_for()
        page.locator("button.stop:focus").wait_for()
        page.keyboard.press("Enter")
        page.locator("#work", has_text="Stopped").wait_for()


def press_until(page: Any, selector: Any) -> None:
    """Press Tab until the element has the focus."""
    page.locator(selector).first.wait_for()
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.locator(selector).first.evaluate("one => one === document.activeElement"):
            return
    pytest.fail(f"{selector} is not reached by keyboard")


def find_faults(page: Any) -> Any:
    return find_barriers(page) if AXE.exists() else []
