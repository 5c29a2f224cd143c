"""The help: commands in the order of the work, each with an example, nothing cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import typer
from typer.core import TyperGroup


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """
    Commands that belong to one part of the work.

    Parameters
    ----------
    title : str
    names : tuple of str
        In the order in which they are used.
    """

    title: str
    names: tuple[str, ...]


SECTIONS: tuple[Section, ...] = (
    Section(title="To begin with", names=("demo", "page", "help", "selftest")),
    Section(title="The bench", names=("devices", "bench", "watch", "protocol")),
    Section(title="A telephone comes in", names=("type", "job", "set", "work", "slip")),
    Section(
        title="Measure it",
        names=("sweep", "dial", "tones", "flex", "bell", "speak", "parts", "line", "check"),
    ),
    Section(title="Is it well", names=("compare", "trial", "fits", "baseline", "element", "masks")),
    Section(
        title="It goes home", names=("report", "shop", "export", "import", "book", "statistics")
    ),
    Section(title="Without a job", names=("signal", "analyze", "frying", "handsets")),
)

EXAMPLES: dict[str, str] = {
    "demo": "demo --out reports/demo",
    "page": "page",
    "help": "help bench",
    "selftest": "selftest",
    "devices": "devices",
    "bench": 'bench add "attic"',
    "bench add": 'bench add "attic"',
    "bench list": "bench list",
    "bench show": 'bench show "attic" --trend loop-back',
    "bench edit": 'bench edit "attic" --feed-ma 40',
    "bench remove": 'bench remove "attic"',
    "bench calibrate": 'bench calibrate "attic"',
    "bench check": 'bench check "attic"',
    "bench tone": 'bench tone "attic" --hz 400 --seconds 10',
    "watch": 'watch --bench "attic"',
    "protocol": 'protocol start --type "Lakeside 4"',
    "protocol start": 'protocol start --type "Lakeside 4"',
    "protocol next": 'protocol next 3 --bench "attic"',
    "protocol show": "protocol show 3",
    "protocol hide": "protocol hide 3 envelope.json",
    "protocol open": "protocol open 3 envelope.json",
    "protocol bundle": "protocol bundle 3 corpus.zip",
    "protocol again": "protocol again corpus.zip",
    "type": 'type add "Lakeside 4" --transmitter carbon',
    "type add": 'type add "Lakeside 4" --transmitter carbon --feed-ma 40',
    "type list": "type list",
    "type edit": 'type edit "Lakeside 4" --region Sweden',
    "type remove": 'type remove "Lakeside 4"',
    "job": 'job open "hall set, green" --type "Lakeside 4"',
    "job open": 'job open "hall set, green" --type "Lakeside 4" --owner "A. Example"',
    "job list": "job list hall",
    "job show": "job show 3",
    "job edit": 'job edit 3 --complaint "faint and crackly"',
    "job note": 'job note 3 "cleaned the springs of the element"',
    "job cause": 'job cause 3 "worn cord"',
    "job label": "job label 3 label.svg",
    "job attach": "job attach 3 photo.jpg",
    "job timeline": "job timeline 3",
    "job export": "job export 3 job.zip",
    "job forget": "job forget 3 --yes",
    "job close": "job close 3",
    "job reopen": "job reopen 3",
    "job done": "job done 3",
    "job takes": "job takes 3",
    "job move": 'job move 3 run-12 --to after --why "swept after the work"',
    "job aside": 'job aside 3 run-12 --why "the receiver was off its coupler"',
    "job back": 'job back 3 run-12 --why "it was on it"',
    "job remove": "job remove 3",
    "job restore": "job restore 3",
    "set": "set show 1",
    "set list": "set list green",
    "set show": "set show 1 --picture years.svg",
    "set edit": 'set edit 1 --marks "No. 51 on the base" --colour green',
    "work": 'work part 3 condenser --old leaky --new "1 uF"',
    "work list": "work list 3",
    "work part": 'work part 3 condenser --old leaky --new "1 uF"',
    "work adjust": 'work adjust 3 "dial speed" --old "8.4 per second" --new "10.0 per second"',
    "work ohms": "work ohms 3 receiver 63.5",
    "work time": "work time 3 40 cleaning",
    "work hazard": 'work hazard 3 "cord is worn to the wire"',
    "work answer": 'work answer 3 5 "cord replaced"',
    "work withdraw": 'work withdraw 3 4 --why "the wrong winding"',
    "work correct": 'work correct 3 1 "bell faint, not silent"',
    "slip": "slip 3 take-in.html --paper Letter",
    "sweep": 'sweep 3 --path transmit --bench "attic"',
    "dial": "dial 3 --recording dial.wav",
    "tones": "tones 3 --recording line.wav --region Sweden",
    "flex": "flex 3 --recording cord.wav --moved cord",
    "bell": "bell 3 --recording bell.wav",
    "speak": "speak 3 --recording voice.wav",
    "parts": "parts capacitor 3 --simulated healthy",
    "line": "line 3 --on-hook-v 48 --off-hook-v 9 --loop-ma 33",
    "line list": "line list",
    "line add": 'line add "hall exchange" --break-low-ms 40 --break-high-ms 90',
    "line show": 'line show "exchange, Sweden"',
    "check": "check 3 --done 1 --skip 2=no-ringing-source",
    "compare": "compare 3 --against before",
    "baseline": 'baseline build "Lakeside 4"',
    "baseline build": 'baseline build "Lakeside 4"',
    "baseline list": "baseline list",
    "baseline show": 'baseline show "Lakeside 4"',
    "baseline export": 'baseline export "Lakeside 4" --by "Old Exchange Society"',
    "baseline import": "baseline import lakeside-4.baseline.json",
    "fits": 'fits 3 --line "exchange, Sweden"',
    "trial": 'trial rap 3 --bench "attic"',
    "element": "element 3 --stage after",
    "masks": "masks",
    "report": "report 3 --out reports",
    "shop": 'shop --name "Example Repairs" --address "1 Example Street" --sign sign.svg',
    "statistics": "statistics",
    "export": "export job 3 job.zip",
    "export job": "export job 3 job.zip",
    "export baseline": 'export baseline "Lakeside 4" transmit baseline.zip',
    "import": "import job.zip",
    "book": "book backup copy",
    "book verify": "book verify",
    "book backup": "book backup copy",
    "book restore": "book restore 2031-05-04 restored",
    "book reanalyze": "book reanalyze",
    "book salvage": "book salvage old new",
    "book empty-bin": "book empty-bin",
    "signal": "signal OUT.wav",
    "analyze": "analyze A.wav --signal OUT.wav",
    "frying": "frying AN-HOUR.flac",
    "handsets": "handsets",
}
"""What is typed after the program's name, by command."""


READ_ON: dict[str, str] = {
    "demo": "first-job",
    "page": "page",
    "selftest": "selftest",
    "bench": "bench",
    "bench add": "wiring",
    "bench calibrate": "calibration",
    "bench check": "calibration",
    "protocol": "protocol",
    "set": "taking-in",
    "work": "taking-in",
    "slip": "taking-in",
    "sweep": "carbon",
    "dial": "checks",
    "tones": "checks",
    "flex": "checks",
    "bell": "checks",
    "speak": "checks",
    "parts": "wiring",
    "line": "cautions",
    "check": "checks",
    "trial": "trials",
    "fits": "checks",
    "compare": "verdicts",
    "baseline": "no-good-set",
    "baseline build": "verdicts",
    "baseline export": "sharing",
    "masks": "no-good-set",
    "report": "languages",
    "export": "sharing",
    "import": "sharing",
    "book": "sharing",
    "signal": "recorder",
    "analyze": "recorder",
}
"""The page of the handbook that a command's help leads to."""


class UncutGroup(TyperGroup):
    """Commands whose list tells each one's first sentence to its end."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands."""
        self._write("Commands", self.list_commands(ctx), formatter)

    def _write(self, title: str, names: Any, formatter: Any) -> None:
        rows = [
            (name, _read_first_sentence(self.commands[name].help or ""))
            for name in names
            if name in self.commands and not self.commands[name].hidden
        ]
        if rows:
            with formatter.section(title):
                formatter.write_dl(rows)


class WorkingOrder(UncutGroup):
    """All commands, in the order of the work, with an example for each part of it."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the sections, then what no section has."""
        del ctx
        known: set[str] = set()
        for section in SECTIONS:
            known |= set(section.names)
            names = [name for name in section.names if name in self.commands]
            self._write(section.title, names, formatter)
            if names:
                formatter.write_text(f"  {tell_example(names[0])}")
        self._write("More", [name for name in self.commands if name not in known], formatter)


def _read_first_sentence(text: str) -> str:
    return " ".join(text.partition("\n\n")[0].split())


def tell_example(name: str) -> str:
    """A line with an example of a command; "" for one without."""
    example = EXAMPLES.get(name, "")
    return f"Example: voicecheck {example}" if example else ""


def _tell_more(name: str) -> str:
    """An example of a command, and where its handbook page is."""
    topic = READ_ON.get(name)
    more = f"Read on: voicecheck help {topic}" if topic else ""
    return "\n\n".join(part for part in (tell_example(name), more) if part)


def add_examples(app: typer.Typer) -> None:
    """Give every command of a command line its example, and every group its whole sentences."""
    for command in app.registered_commands:
        command.epilog = command.epilog or _tell_more(command.name or "") or None
    for group in app.registered_groups:
        if group.typer_instance is None:
            continue
        if not _is_uncut(group.typer_instance.info.cls):
            group.typer_instance.info.cls = UncutGroup
        group.typer_instance.info.epilog = _tell_more(group.name or "")
        for command in group.typer_instance.registered_commands:
            command.epilog = _tell_more(f"{group.name} {command.name}") or None


def _is_uncut(kind: Any) -> bool:
    """Whether a group has whole sentences already; one that states no class has a stand-in."""
    return isinstance(kind, type) and issubclass(kind, UncutGroup)
