# mypy: disable-error-code="arg-type,attr-defined,var-annotated"
"""One door for what is written: what it writes over, what never, and that nobody goes round it."""

import ast
import errno
import os
import re
import resource
import stat
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from services import give_up
from test_checkout_jobs import call

import voicecheck
from voicecheck import writing
from voicecheck.bench.soundfiles import save_sound
from voicecheck.bench.wavfile import load_programme
from voicecheck.checkout.steps import read_template
from voicecheck.errors import InputError, JobBookError
from voicecheck.filekinds import recognise
from voicecheck.jobbook import JobBook
from voicecheck.records import SetType
from voicecheck.workflow import demo
from voicecheck.workflow.demo import DEMO_TYPE, run_demo
from voicecheck.writing import DOOR, Door

PACKAGE = Path(voicecheck.__file__).parent
WAV, FLAC = b"RIFF\x04\0\0\0WAVE", b"fLaC\0\0\0\x22"
OURS, THEIRS = b'{"schema": "voicecheck.run/1"}', b'{"schema": "other.thing/1"}'


def list_names(folder: Any) -> Any:
    return sorted(path.name for path in folder.iterdir())


def make_place(kind: Any, folder: Any) -> Any:
    """Something in the way of a file called `out.wav`; nothing of the machine's own."""
    target = folder / "out.wav"
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    if kind == "folder":
        target.mkdir()
    elif kind == "device":
        try:
            os.mknod(target, 0o600 | stat.S_IFCHR, os.makedev(1, 3))
        except PermissionError:
            give_up("PLATFORM", "only root can make a device node")
    elif kind == "socket":
        import socket

        with socket.socket(socket.AF_UNIX) as one:
            one.bind(str(target))
    elif kind == "link to elsewhere":
        (elsewhere / "theirs.wav").write_bytes(WAV + b"theirs")
        target.symlink_to(elsewhere / "theirs.wav")
    elif kind == "link to nothing elsewhere":
        target.symlink_to(elsewhere / "new.wav")
    elif kind == "link to a folder":
        target.symlink_to(elsewhere)
    elif kind == "link to itself":
        target.symlink_to(target)
    return target


BARRED = (
    "folder", "device", "socket", "link to elsewhere", "link to nothing elsewhere",
    "link to a folder", "link to itself",
)  # fmt: skip


class TestNever:
    @pytest.mark.parametrize("kind", BARRED)
    @pytest.mark.parametrize("force", [False, True])
    def test_over_what_is_no_file_of_this_folder(
        self, kind: Any, force: bool, tmp_path: Path
    ) -> None:
        """Forced or not: what was there is there as it was, and nothing lies beside it."""
        target = make_place(kind, tmp_path)
        before = target.lstat()
        with pytest.raises(InputError, match=r"out\.wav: is .*; nothing was written"):
            Door(force=force).write(target, WAV)
        with pytest.raises(InputError), Door(force=force).open(target):
            pytest.fail("it was opened")
        after = target.lstat()
        assert (after.st_mode, after.st_ino, after.st_rdev) == (
            before.st_mode, before.st_ino, before.st_rdev,
        )  # fmt: skip
        assert list_names(tmp_path) == ["elsewhere", "out.wav"]
        assert list_names(tmp_path / "elsewhere") in ([], ["theirs.wav"])

    @pytest.mark.parametrize("name", ["n" * 300, "a\0b", "half \ud800 a letter"])
    def test_under_a_name_that_none_can_have(self, name: Any, tmp_path: Path) -> None:
        with pytest.raises(InputError) as caught:
            DOOR.write(tmp_path / name, WAV)
        assert len(str(caught.value).splitlines()) == 1
        assert list_names(tmp_path) == []

    def test_longest_name_that_one_can_have(self, tmp_path: Path) -> None:
        DOOR.write(tmp_path / ("n" * 255), WAV)
        assert list_names(tmp_path) == ["n" * 255]


class TestOver:
    @pytest.mark.parametrize(
        ("old", "new"),
        [
            (WAV + b"old", WAV),
            (FLAC + b"old", FLAC),
            (OURS + b" ", OURS),
            (b"a,b", "ä;ö".encode()),
            (b"", WAV),
        ],
    )
    def test_the_same_kind_is_replaced_and_told(self, old: Any, new: Any, tmp_path: Path) -> None:
        (target := tmp_path / "x").write_bytes(old)
        told = []
        Door(on_replace=told.append).write(target, new)
        assert target.read_bytes() == new
        assert told == ([target] if old else [])

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            (FLAC, WAV),
            (b"a letter", WAV),
            (WAV, b"a,b"),
            (THEIRS, OURS),
            (OURS.replace(b"run", b"job"), OURS),
            (b"\x00\x01\xff", b"a,b"),
            ("ä".encode("latin-1"), b"a,b"),
            (b"\0" * 5000, b"a,b"),
        ],
    )
    def test_another_kind_only_by_force(self, old: Any, new: Any, tmp_path: Path) -> None:
        (target := tmp_path / "x").write_bytes(old)
        with pytest.raises(InputError, match=r"another kind.*--force"):
            DOOR.write(target, new)
        assert target.read_bytes() == old
        Door(force=True).write(target, new)
        assert target.read_bytes() == new
        assert list_names(tmp_path) == ["x"]

    def test_what_a_person_edits_stays(self, tmp_path: Path) -> None:
        (target := tmp_path / "list.csv").write_bytes(b"mine")
        with pytest.raises(InputError, match="already there"):
            DOOR.write(target, b"new", keep=True)
        assert target.read_bytes() == b"mine"

    def test_a_write_protected_file_stays_and_rights_are_kept(self, tmp_path: Path) -> None:
        (target := tmp_path / "x.wav").write_bytes(WAV + b"old")
        target.chmod(0o444)
        with pytest.raises(InputError, match="write-protected"):
            DOOR.write(target, WAV)
        target.chmod(0o640)
        DOOR.write(target, WAV)
        assert stat.S_IMODE(target.stat().st_mode) == 0o640

    def test_a_link_within_the_folder_stays_a_link(self, tmp_path: Path) -> None:
        (tmp_path / "newest.wav").symlink_to("take.wav")
        DOOR.write(tmp_path / "newest.wav", WAV)
        assert (tmp_path / "newest.wav").is_symlink()
        assert (tmp_path / "take.wav").read_bytes() == WAV

    def test_files_that_belong_together_are_all_written_or_none(self, tmp_path: Path) -> None:
        (tmp_path / "b.wav").write_bytes(b"a letter")
        with pytest.raises(InputError, match=r"b\.wav"):
            DOOR.write_all(tmp_path, {"a.wav": WAV, "b.wav": WAV})
        assert list_names(tmp_path) == ["b.wav"]
        assert DOOR.write_all(tmp_path / "new" / "one", {"a.wav": WAV})[0].read_bytes() == WAV

    @pytest.mark.parametrize(
        ("head", "kind"),
        [
            (b"RF64\xff\xff\xff\xffWAVEds64", "WAV"),
            (b"RIFF\0\0\0\0AVI LIST", "text"),
            (b"\x89PNG\r\n\x1a\nrest", "PNG"),
            (b"<html>\0</html>", "text"),
            ("ü".encode() * 4000, "text"),
            (b"x" + "ü".encode() * 4000, "text"),
        ],
    )
    def test_kinds(self, head: Any, kind: str) -> None:
        """A letter cut in two by the length that is looked at is no foreign byte."""
        assert recognise(head) == kind or (kind == "text" and head[:4] == b"RIFF")


class TestStreams:
    def read_pipe(self, pipe: Any, write: Any) -> Any:
        got = []
        reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
        reader.start()
        write()
        reader.join(20)
        return got[0]

    def test_into_a_pipe_which_stays_one(self, tmp_path: Path) -> None:
        os.mkfifo(pipe := tmp_path / "out.wav")
        content = WAV + bytes(300_000)
        assert self.read_pipe(pipe, lambda: DOOR.write(pipe, content)) == content
        assert stat.S_ISFIFO(pipe.lstat().st_mode)
        assert list_names(tmp_path) == ["out.wav"]

    def test_a_parcel_into_a_pipe_is_a_parcel(self, tmp_path: Path) -> None:
        with JobBook.open(tmp_path / "book") as book:
            book.add_type(SetType(name="Lakeside 4"))
            book.open_job("hall", "Lakeside 4")
            os.mkfifo(pipe := tmp_path / "out.zip")
            content = self.read_pipe(pipe, lambda: book.export_job(1, pipe))
        (tmp_path / "kept.zip").write_bytes(content)
        with JobBook.open(tmp_path / "other") as other:
            assert [one.outcome for one in other.import_parcel(tmp_path / "kept.zip")]

    @pytest.mark.parametrize("name", ["/dev/stdout", "/dev/fd/1"])
    def test_into_the_program_s_own_output(self, name: str, tmp_path: Path) -> None:
        """A pipe or a file that the shell has opened; nothing but the sound is in it."""
        words = [sys.executable, "-m", "voicecheck", "signal", name, "--kind", "quick"]
        piped = subprocess.run(words, capture_output=True, check=True, cwd=tmp_path).stdout
        with (tmp_path / "led.wav").open("wb") as led:
            subprocess.run(words, stdout=led, stderr=subprocess.DEVNULL, check=True, cwd=tmp_path)
        assert (tmp_path / "led.wav").read_bytes() == piped
        assert load_programme(tmp_path / "led.wav").samples.size

    def test_not_onto_a_screen(self) -> None:
        """A pseudo-terminal of the test's own stands for the screen."""
        import pty

        ours, theirs = pty.openpty()
        words = [sys.executable, "-m", "voicecheck", "signal", "/dev/stdout"]
        done = subprocess.run(words, stdout=theirs, stderr=subprocess.PIPE, check=False)
        os.close(theirs)
        os.close(ours)
        assert done.returncode == 2
        assert b"is a screen" in done.stderr


class TestFailures:
    @pytest.mark.parametrize("call_name", ["fsync", "replace"])
    def test_a_disk_that_fails_leaves_the_old_file_alone(
        self, call_name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (target := tmp_path / "x.wav").write_bytes(WAV + b"old")

        def fail(*_: Any) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(writing.os, call_name, fail)
        monkeypatch.setattr(Path, "replace", fail)
        with pytest.raises(InputError, match=r"No space.*nothing was changed; free some space"):
            DOOR.write(target, WAV)
        with pytest.raises(JobBookError), Door(force=True).open(target, JobBookError):
            pass
        assert target.read_bytes() == WAV + b"old"
        assert list_names(tmp_path) == ["x.wav"]

    def test_a_limit_of_the_system_in_the_middle_of_a_file(self, tmp_path: Path) -> None:
        """The real thing: no more than 100 000 bytes may be written, the file has 700 000."""

        def limit() -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

        words = [sys.executable, "-m", "voicecheck", "signal", "x.wav", "--kind", "quick"]
        done = subprocess.run(
            words, cwd=tmp_path, capture_output=True, text=True, preexec_fn=limit, check=False
        )
        assert done.returncode == 2
        assert re.fullmatch(
            r"voicecheck: x\.wav: cannot be written \(File too large\).*\n", done.stderr
        )
        assert list_names(tmp_path) == []

    def test_an_error_of_the_content_is_its_own(self, tmp_path: Path) -> None:
        """What goes wrong while something else is read is not told as a failure to write."""
        with pytest.raises(FileNotFoundError), DOOR.open(tmp_path / "x.zip") as file:
            file.write((tmp_path / "kept" / "nothing").read_bytes())
        assert list_names(tmp_path) == []

    def test_what_came_in_between_is_seen(self, tmp_path: Path) -> None:
        target = tmp_path / "x.zip"
        with pytest.raises(InputError, match="is a folder"), DOOR.open(target):
            target.mkdir()
        assert target.is_dir()
        assert list_names(tmp_path) == ["x.zip"]


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A book with speech of both stages and a run."""
    place = tmp_path_factory.mktemp("door") / "book"
    with JobBook.open(place) as opened:
        opened.add_type(SetType(name="Lakeside 4", region="North America"))
        opened.open_job("hall", "Lakeside 4")
    for stage in ("before", "after"):
        call("speak", 1, "--simulated", "quiet", "--stage", stage, book=place)
    call("sweep", 1, "--stage", "before", "--path", "transmit", "--simulated", "carbon",
         "--seats", 1, book=place)  # fmt: skip
    return place


WRITERS = {
    "signal": ("signal", "{}", "--kind", "quick"),
    "dial": ("dial", "--simulated", "healthy:3", "--picture", "{}.png"),
    "speak": ("speak", "1", "--listen", "{}.wav"),
    "check": ("check", "--template", "{}"),
    "export": ("export", "job", "1", "{}"),
}


def fill_in(words: Any, target: Any) -> Any:
    return [word.format(target) for word in words]


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("kind", ["folder", "socket", "link to elsewhere"])
def test_no_command_replaces_what_is_no_file(
    writer: Any, kind: str, book: Any, tmp_path: Path
) -> None:
    target = make_place(kind, tmp_path)
    ending = WRITERS[writer][-1].removeprefix("{}") if writer in {"dial", "speak"} else ""
    named = tmp_path / f"x{ending}"
    target.rename(named)
    before = named.lstat()
    done = call(*fill_in(WRITERS[writer], tmp_path / "x"), book=book, error=InputError)
    assert "nothing was written" in str(done.exception)
    assert (named.lstat().st_ino, named.lstat().st_mode) == (before.st_ino, before.st_mode)


@pytest.mark.parametrize("writer", WRITERS)
def test_a_file_of_another_kind_is_replaced_by_force_alone(
    writer: Any, book: Any, tmp_path: Path
) -> None:
    words = WRITERS[writer]
    ending = words[-1].removeprefix("{}") if writer in {"dial", "speak"} else ""
    (target := tmp_path / f"x{ending}").write_bytes(b"\xff\xd8\xff a photograph")
    call(*fill_in(words, tmp_path / "x"), book=book, error=InputError)
    assert target.read_bytes() == b"\xff\xd8\xff a photograph"
    call(*fill_in(words, tmp_path / "x"), "--force", book=book)
    assert target.read_bytes()[:3] != b"\xff\xd8\xff"


def test_a_report_over_a_photograph_writes_none_of_its_files(book: Any, tmp_path: Path) -> None:
    (tmp_path / "report.json").write_bytes(b"\xff\xd8\xff a photograph")
    (tmp_path / "findings.csv").write_bytes(b"old")
    call("report", 1, "--out", tmp_path, book=book, error=InputError)
    assert list_names(tmp_path) == ["findings.csv", "report.json"]
    told = call("report", 1, "--out", tmp_path, "--force", book=book).stderr
    assert f"Replaced 2 files that were there in {tmp_path}." in told


def test_one_replaced_file_is_told_unless_quiet(tmp_path: Path) -> None:
    words = ("signal", tmp_path / "x.wav", "--kind", "quick")
    assert "Replaced" not in call(*words).stderr
    assert f"Replaced {tmp_path / 'x.wav'}" in call(*words).stderr
    assert call(*words, "--quiet").stderr == ""


def test_an_edited_check_list_stays(tmp_path: Path) -> None:
    (target := tmp_path / "list.csv").write_text(read_template() + "\n", encoding="utf-8")
    before = target.read_bytes()
    call("check", "--template", target, error=InputError)
    assert target.read_bytes() == before


@pytest.mark.parametrize("change", ["a job", "a type", "the same label twice"])
def test_a_demo_removes_no_book_that_somebody_works_with(change: str, tmp_path: Path) -> None:
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(DEMO_TYPE)
        opened.open_job("reference set 1", DEMO_TYPE.name)
        if change == "a type":
            opened.add_type(SetType(name="Lakeside 4"))
        else:
            label = "reference set 1" if change != "a job" else "hall"
            opened.open_job(label, DEMO_TYPE.name)
    with pytest.raises(InputError, match="holds more than a demo; nothing was removed"):
        run_demo(tmp_path, say=print, advance=print)
    assert (tmp_path / "book" / "book.db").is_file()


def test_python_functions_go_through_the_door_too(tmp_path: Path) -> None:
    import numpy as np

    (tmp_path / "x.wav").write_bytes(b"a letter")
    with pytest.raises(InputError, match="another kind"):
        save_sound(tmp_path / "x.wav", np.zeros(10), 48000)
    save_sound(tmp_path / "x.wav", np.zeros(10), 48000, Door(force=True))
    assert list_names(tmp_path) == ["x.wav"]


# What writes, by the name of the call; a name alone, an attribute, or one of a module.
METHODS = {
    "write_bytes", "write_text", "touch", "symlink_to", "hardlink_to", "rename", "savefig",
    "tofile", "truncate", "save", "savez", "savez_compressed", "savetxt", "to_csv",
}  # fmt: skip
OF_MODULES = {
    "os": {"replace", "rename", "link", "symlink", "mkfifo", "truncate"},
    "shutil": {"copy", "copy2", "copyfile", "copyfileobj", "copytree", "move", "rmtree"},
    "soundfile": {"write"},
    "sqlite3": {"connect"},
    "tempfile": {"TemporaryDirectory", "NamedTemporaryFile", "TemporaryFile", "mkstemp", "mkdtemp"},
}
OPENERS = {"open", "fdopen", "ZipFile", "SoundFile", "TarFile"}
TEMPORARY = "a folder of its own that is gone afterwards"
HOMES = {
    "writing.py": "the door",
    "incoming.py": "the door inwards: opens to read alone",
    "jobbook/vault.py": "the book's own store of files, named by their content",
    "jobbook/rights.py": "new files of the book with its rights, for its store and SQLite",
    "jobbook/copying.py": "databases of books: snapshot of a backup, copy of a damaged one",
    "jobbook/backups.py": "databases of dated backups, and those that are kept no longer",
    "jobbook/salvage.py": "reads a damaged database from a copy in the new book, then removes it",
    "cli/helping.py": "lines of a help, in memory",
    "workflow/papers/clubsound.py": "a ZIP file inside the file that the door has opened",
    "workflow/papers/enclosures.py": "photographs made smaller, in memory, for the report",
    "workflow/papers/sign.py": "the shop's sign drawn anew, in memory",
    "jobbook/parcels.py": "a ZIP file inside the file that the door has opened",
    "jobbook/sound.py": "FLAC in memory, for the store",
    "bench/soundfiles.py": "sound in memory, for the door",
    "charts/saving.py": "pictures in memory, for the door",
    "bench/soundcard/child.py": "its own output, which is a pipe to the program",
    "cli/main.py": "its own output, when nobody reads it any more",
    "workflow/benches/locks.py": "notes beside the locks of devices, in the user's cache",
    "workflow/checks/run.py": TEMPORARY,
    "workflow/selftest/browsers.py": "folders of a browser that are gone afterwards",
    "workflow/selftest/machine.py": "files without a name, to see whether a folder can be written",
    "workflow/protocol/corpus.py": TEMPORARY,
    "workflow/demo.py": "removes the book of an earlier demo, which it has looked into",
    "web/forms.py": "uploads, into a folder that is gone afterwards",
    "web/checks.py": TEMPORARY,
    "web/checklist.py": TEMPORARY,
    "web/jobs.py": TEMPORARY,
    "web/settypes.py": TEMPORARY,
    "web/sweeping.py": TEMPORARY,
    "web/trials.py": TEMPORARY,
    "web/serving.py": TEMPORARY,
}


def find_writers(text: Any) -> Any:
    """Lines of a module that write to disk, as far as its calls show."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call) and is_writer(node)
    ]


def is_writer(node: Any) -> Any:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    owner = getattr(getattr(node.func, "value", None), "id", "")
    if name in OF_MODULES.get(owner, ()):
        return True
    if name == "open" and owner == "os":
        return "O_RDONLY" not in ast.unparse(node)
    if name in OPENERS:
        words = [*node.args, *(one.value for one in node.keywords if one.arg == "mode")]
        modes = [one.value for one in words if isinstance(one, ast.Constant)]
        return any(re.fullmatch(r"[rwaxbt+]{1,3}", str(one)) and set(one) & set("wax+")
                   for one in modes)  # fmt: skip
    if name == "replace" and isinstance(node.func, ast.Attribute):
        # Of a path: one word. Of text: two. Of a record: by name.
        return len(node.args) == 1 and not node.keywords and owner not in {"dataclasses", "msgspec"}
    return name in METHODS and isinstance(node.func, ast.Attribute)


@pytest.mark.parametrize(
    ("line", "is_one"),
    [
        ("open(p, 'w')", True),
        ("p.open(mode='ab')", True),
        ("p.open('rb')", False),
        ("p.open()", False),
        ("os.open(p, os.O_WRONLY)", True),
        ("os.open(p, os.O_RDONLY)", False),
        ("p.write_bytes(b'')", True),
        ("write_text('hello')", False),
        ("soundfile.write(p, x, 8000)", True),
        ("figure.savefig(p)", True),
        ("np.save(p, x)", True),
        ("shutil.copyfileobj(a, b)", True),
        ("a.replace(b)", True),
        ("text.replace('a', 'b')", False),
        ("record.replace(**more)", False),
        ("os.replace(a, b)", True),
        ("a.rename(b)", True),
        ("zipfile.ZipFile(p, 'w')", True),
        ("zipfile.ZipFile(p)", False),
        ("tempfile.TemporaryDirectory()", True),
    ],
)
def test_writers_are_known_when_seen(line: str, is_one: bool) -> None:
    assert bool(find_writers(line)) == is_one


def test_nobody_writes_beside_the_door() -> None:
    """Each home has its reason in the list; a reason whose writer is gone goes too."""
    found = {
        path.relative_to(PACKAGE).as_posix(): lines
        for path in PACKAGE.rglob("*.py")
        if (lines := find_writers(path.read_text(encoding="utf-8")))
    }
    beside = {name: lines for name, lines in found.items() if name not in HOMES}
    assert beside == {}, "write through voicecheck.writing, or give the reason in HOMES"
    assert set(HOMES) - set(found) == set()


def test_an_earlier_demo_gives_way_to_the_next(tmp_path: Path) -> None:
    """Also one that was stopped on its way."""
    with JobBook.open(tmp_path / "book") as opened:
        opened.add_type(DEMO_TYPE)
        opened.open_job(f"{demo.REFERENCE_LABEL} 1", DEMO_TYPE.name)
        opened.open_job(demo.DEMO_LABEL, DEMO_TYPE.name)
    demo._clear(tmp_path / "book")
    assert list_names(tmp_path) == []
