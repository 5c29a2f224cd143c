"""Check-in and work: entries, hazards, resistances, slips, the shop and its sign."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
from pathlib import Path

import pytest
from jobbook_samples import make_type
from pagetest import open_client
from PIL import Image
from services import need_module
from telling import call

from voicecheck.errors import InputError
from voicecheck.jobbook import JobBook
from voicecheck.records import NormalValue
from voicecheck.records.sets import Work
from voicecheck.records.shop import Shop
from voicecheck.workflow.papers.sign import clean_svg, read_sign
from voicecheck.workflow.papers.slips import make_slip
from voicecheck.workflow.standing import set_standing
from voicecheck.workflow.work import judge_ohms, list_entries

OHMS = NormalValue(quantity="Receiver", unit="ohm", low=30.0, high=80.0, source="own sheet")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    where = tmp_path / "book"
    with JobBook.open(where) as book:
        book.add_type(dataclasses.replace(make_type(), normal_values=(OHMS,)))
        book.open_job(
            "hall set", "Lakeside 4", owner="A. Invented", contact="0123 45678",
            promised="2031-05-20", used_on="an adapter", keep_parts="old cord",
            complaint="people say I am faint",
        )  # fmt: skip
    return where


@pytest.mark.parametrize(
    ("ohm", "verdict"), [(29.9, "outside"), (30.0, "within"), (80.0, "within"), (80.1, "outside")]
)
def test_resistance_is_held_against_the_types_own_value(ohm: float, verdict: str) -> None:
    work = Work(kind="ohms", what="receiver", value=ohm)
    assert judge_ohms(work, OHMS) == verdict
    assert judge_ohms(work, None) == "not comparable"
    assert judge_ohms(work, NormalValue(quantity="receiver", low=40.0)) == (
        "within" if ohm > 40.0 else "outside"
    )


def test_entries_say_what_should_be_and_where_that_is_from(folder: Path) -> None:
    with JobBook.open(folder) as book:
        book.add_work(1, Work(kind="ohms", what="receiver", value=4000.0))
        book.add_work(1, Work(kind="ohms", what="bell coil", value=1000.0))
        first, second = list_entries(book.load_job(1), book.load_type("Lakeside 4"))
    assert first.text == "receiver: 4000 ohm (should be 30 to 80 ohm; own sheet)"
    assert (first.verdict, second.verdict) == ("outside", "not comparable")


def test_hazard_stops_measuring_until_it_is_answered(folder: Path) -> None:
    sweep = ("sweep", "1", "--path", "loop", "--simulated", "carbon", "--seats", "1")
    call("work", "hazard", "1", "mains on the cord", book=folder)
    for words in (sweep, ("bell", "1", "--simulated", "healthy")):
        with pytest.raises(InputError, match=r"hazard 1 is open \(mains on the cord\)"):
            call(*words, book=folder)
    with JobBook.open(folder) as book:
        assert set_standing(book, 1).next_step.key == "hazard"
        assert book.list_runs(job=1) == ()
        assert book.load_job(1).attachments == ()
    call("work", "answer", "1", "1", "cord replaced", book=folder)
    call(*sweep, book=folder)
    with JobBook.open(folder) as book:
        assert len(book.list_runs(job=1)) == 1
        assert set_standing(book, 1).next_step.key != "hazard"


def test_slips_tell_what_an_owner_signs(folder: Path) -> None:
    with JobBook.open(folder) as book:
        book.save_shop(Shop(name="Example Repairs", address="1 Example Street\n12345 Town"))
        book.edit_set(1, marks="No. 51 <&>", colour="green")
        book.add_work(1, Work(kind="part", what="cord", old_value="cloth", new_value="rubber"))
        book.add_work(1, Work(kind="time", what="cleaning", value=50.0))
        book.add_work(1, Work(kind="time", what="cord", value=15.0))
        withdrawn = book.add_work(1, Work(kind="part", what="never", new_value="was"))
        book.withdraw_work(1, withdrawn.number, "a mistake")
        taken, back = (make_slip(book, 1, kind).decode() for kind in ("take-in", "hand-back"))
        with pytest.raises(InputError, match="slip"):
            make_slip(book, 1, "other")
        with pytest.raises(InputError, match="paper"):
            make_slip(book, 1, "take-in", paper="A3")
    for text in ("Example Repairs", "12345 Town", "No. 51 &lt;&amp;&gt;", "green", "A. Invented",
                 "0123 45678", "2031-05-20", "an adapter", "old cord", "people say"):  # fmt: skip
        assert text in taken, text
        assert text in back, text
    assert "they are erased" in taken
    assert "cord fitted: rubber in place of cloth" in back
    assert "1 h 05 min" in back
    assert "was" not in re.findall(r"<li>.*?</li>", back, re.DOTALL)[0]
    assert "never fitted" not in back
    assert "rubber" not in taken
    assert "http" not in re.sub(r"http-equiv", "", taken)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("kind", ["take-in", "hand-back"])
def test_slip_is_one_sheet_of_its_paper(folder: Path, paper: str, kind: str) -> None:
    weasyprint = need_module("weasyprint", "PDF")
    with JobBook.open(folder) as book:
        book.add_note(1, "cleaned the springs; " * 12)
        html = make_slip(book, 1, kind, paper=paper).decode()
        assert make_slip(book, 1, kind, pdf=True, paper=paper).startswith(b"%PDF")
    document = weasyprint.HTML(string=html).render()
    assert len(document.pages) == 1
    width_mm = document.pages[0].width / 96 * 25.4
    assert round(width_mm) == {"A4": 210, "Letter": 216}[paper]


def test_hostile_words_stay_words_on_a_slip(folder: Path) -> None:
    hostile = "<script>alert(1)</script>{{ 7*7 }}"
    with JobBook.open(folder) as book:
        book.edit_job(1, owner=hostile, complaint=hostile, contact=hostile, keep_parts=hostile)
        book.add_work(1, Work(kind="hazard", what=hostile))
        slip = make_slip(book, 1, "hand-back").decode()
    assert "<script" not in slip
    assert "49" not in slip
    assert "Danger found" in slip


SIGN = b"""<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
 viewBox="0 0 9 9" onload="alert(1)"><script>alert(2)</script><style>@import url(http://x)</style>
<rect width="9" height="9" fill="url(#a)" onclick="x()"/><image href="http://outside/x.png"/>
<use xlink:href="http://outside/y#z"/><a href="javascript:alert(3)"><circle r="2"/></a>
<path d="M0 0h3" fill="url(http://outside/p)" style="background:url(http://outside)"/>
<foreignObject><b xmlns="http://www.w3.org/1999/xhtml">x</b></foreignObject></svg>"""


def test_sign_keeps_its_shapes_and_nothing_that_acts_or_asks_outside() -> None:
    cleaned = clean_svg(SIGN, "sign.svg").decode()
    assert 'fill="url(#a)"' in cleaned
    assert 'd="M0 0h3"' in cleaned
    rest = cleaned.replace("http://www.w3.org/2000/svg", "")
    for word in ("script", "onload", "onclick", "http", "image", "use", "style", "foreign", "href"):
        assert word not in rest, word


@pytest.mark.parametrize(
    "content",
    [
        b'<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="http://www.w3.org/2000/svg"/>',
        b"<html/>", b"no picture", b"", b"\x89PNG\r\n\x1a\nbroken",
        b'<svg xmlns="http://www.w3.org/2000/svg">' + b"<g/>" * 6000 + b"</svg>",
    ],
)  # fmt: skip
def test_what_is_no_sign_is_refused(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "sign").write_bytes(content)
    with pytest.raises(InputError, match="sign"):
        read_sign(tmp_path / "sign")


def test_png_sign_is_drawn_anew_without_what_was_written_into_it(tmp_path: Path) -> None:
    from PIL.PngImagePlugin import PngInfo

    note = PngInfo()
    note.add_text("Author", "somebody")
    Image.new("RGB", (2000, 1000), "red").save(tmp_path / "sign.png", pnginfo=note)
    sign = read_sign(tmp_path / "sign.png")
    content = base64.b64decode(sign.partition(",")[2])
    assert b"somebody" not in content
    with Image.open(io.BytesIO(content)) as drawn:
        assert drawn.size == (900, 450)
        assert drawn.convert("RGB").getpixel((450, 200)) == (255, 0, 0)


def test_shop_is_said_once_and_stands_on_every_paper(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "sign.svg").write_bytes(SIGN)
    said = ("--name", "Example Repairs", "--address", "1 Example Street", "--address", "Town")
    call("shop", *said, "--sign", str(tmp_path / "sign.svg"), book=folder)
    told = call("shop", book=folder).splitlines()
    assert told[:3] == ["Example Repairs", "1 Example Street", "Town"]
    call("sweep", "1", "--path", "loop", "--simulated", "carbon", "--seats", "1", book=folder)
    call("report", "1", "--out", str(tmp_path / "out"), book=folder)
    call("slip", "1", str(tmp_path / "slip.html"), book=folder)
    for paper in (*(tmp_path / "out").glob("*.html"), tmp_path / "slip.html"):
        text = paper.read_text(encoding="utf-8")
        for part in ("Example Repairs", "1 Example Street", "data:image/svg+xml"):
            assert part in text, (paper.name, part)
    call("shop", "--no-sign", book=folder)
    assert "without a sign" in call("shop", book=folder)


def test_page_of_a_job_takes_work_hazards_and_photographs(folder: Path, tmp_path: Path) -> None:
    need_module("starlette")
    Image.new("RGB", (800, 600), "green").save(tmp_path / "photo.jpg")
    with JobBook.open(folder) as book:
        sha256 = book.attach_file(1, tmp_path / "photo.jpg").sha256
        book.add_note(1, "bell silent")
    with open_client(folder) as client:
        client.post("/jobs/1/entries", data={"kind": "ohms", "what": "receiver", "value": "63,5"})
        client.post("/jobs/1/entries", data={"kind": "hazard", "what": "<b>worn</b>"})
        client.post("/jobs/1/notes/1", data={"text": "bell faint"})
        page = client.get("/jobs/1").text
        assert "HAZARD" in page
        assert "&lt;b&gt;worn" in page
        assert "receiver: 63.5 ohm" in page
        small = client.get(f"/jobs/1/thumbnails/{sha256}.jpg").content
        with Image.open(io.BytesIO(small)) as drawn:
            assert max(drawn.size) == 240
        assert client.get("/jobs/1/thumbnails/00.jpg").status_code == 404
        assert client.post("/jobs/1/entries", data={"kind": "ohms", "what": "x"}).status_code == 400
        client.post("/jobs/1/entries/2/answer", data={"answer": "cord replaced"})
        assert "Disconnect the set" not in client.get("/jobs/1").text
        assert "A. Invented" in client.get("/jobs/1/slip/take-in.html").text
    with JobBook.open(folder) as book:
        assert book.load_job(1).notes == ("bell faint",)
