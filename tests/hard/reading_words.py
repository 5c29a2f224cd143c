"""Every command that reads a file of somebody's, with the words that hand it one."""

from __future__ import annotations

import shlex
from pathlib import Path

PARTS = "parts receiver --resistor-ohm 600"
SOUND = {
    "analyze recordings": "analyze {file} --signal {programme}",
    "analyze programme": "analyze {recording} --signal {file}",
    "frying recording": "frying {file}",
    "sweep recording": "sweep 1 --path transmit --recording {file} --signal {programme}",
    "sweep more": "sweep 1 {file} --path transmit --signal {programme}",
    "sweep signal": "sweep 1 --path transmit --simulated carbon --signal {file}",
    "trial recording": f"trial rap 1 {6 * ' --recording {file}'} --signal {{programme}}",
    "trial signal": f"trial rap 1 {6 * ' --recording {recording}'} --signal {{file}}",
    "dial recording": "dial --recording {file}",
    "tones recording": "tones --recording {file}",
    "flex recording": "flex --recording {file}",
    "bell recording": "bell --recording {file}",
    "speak recording": "speak --recording {file}",
    "speak play": "speak --play {file} --bench none",
    "parts recording": f"{PARTS} --signal {{stimulus}} --recording {{file}}",
    "parts signal": f"{PARTS} --signal {{file}} --recording {{recording}}",
    "parts reference": f"{PARTS} --recording {{recording}} --reference {{file}}",
    "parts open_end": f"{PARTS} --recording {{recording}} --open {{file}}",
    "parts shorted": f"{PARTS} --recording {{recording}} --short {{file}}",
    "parts damped": f"{PARTS} --recording {{recording}} --damped {{file}}",
}
"""What takes sound, by command and parameter."""
OTHER = {
    "import file": "import {file}",
    "attach files": "attach 1 {file}",
    "job attach files": "job attach 1 {file}",
    "protocol again corpus": "protocol again {file}",
    "baseline import file": "baseline import {file}",
    "shop sign": "shop --sign {file}",
    "check list_file": "check 1 --list {file}",
    "bench edit microphone_curve": "bench edit attic --microphone-curve {file}",
}
WRITES = {
    "signal out", "report out", "slip file", "dial picture", "tones picture", "flex picture",
    "bell picture", "speak picture", "speak listen", "parts picture", "check template", "demo out",
    "job export file", "job label file", "baseline export out", "set show picture",
    "export job file", "export baseline file", "protocol bundle target", "protocol hide envelope",
    "selftest out",
}  # fmt: skip
"""What is written there, or into the folder of that name."""
FOLDERS = {
    "job forget backups", "book backup folder", "book restore into", "book restore source",
    "book salvage damaged", "book salvage into",
}  # fmt: skip
LATER = {"protocol open envelope"}
"""Read through the same door, but only after two evenings of work: not walked."""
BOOKLESS = ("analyze", "frying", "protocol")


def choose_content(name: str, folder: Path) -> bytes:
    """What a file that is well would hold there, as far as it is sound."""
    is_programme = name.endswith(("signal", "programme"))
    stimulus = "stimulus" if name.startswith("parts") else "programme"
    return (folder / f"{stimulus if is_programme else 'pair'}.wav").read_bytes()


def list_words(name: str, file: Path, folder: Path) -> list[str]:
    """The words of one of them, without progress and on the book of the folder."""
    places = {
        "programme": folder / "programme.wav",
        "stimulus": folder / "stimulus.wav",
        "recording": folder / "pair.wav",
        "file": file,
    }
    words = [
        word.format(**{key: str(place) for key, place in places.items()})
        for word in shlex.split((SOUND | OTHER)[name])
    ]
    if name in SOUND or words[0] == "check":
        words.append("--quiet")
    return words if words[0] in BOOKLESS else [*words, "--book", str(folder / "book")]


def fill_folder(folder: Path) -> None:
    """What the words above rest on: a book with a job and a bench, a programme, a stimulus."""
    import audio_files
    import numpy as np
    import soundfile

    audio_files.make_programme_file(folder)
    book = ("--book", str(folder / "book"))
    for words in (
        ("signal", str(folder / "stimulus.wav"), "--kind", "parts", "--quiet"),
        ("type", "add", "Lakeside 4", "--transmitter", "carbon", *book),
        ("job", "open", "hall set", "--type", "Lakeside 4", *book),
        ("bench", "add", "attic", "--device", "none", *book),
    ):
        code, _, said = audio_files.run_main(*words)
        if code:
            raise RuntimeError(said)
    tone = 0.2 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(96000))
    soundfile.write(folder / "pair.wav", np.column_stack([tone, tone]), 48000)
