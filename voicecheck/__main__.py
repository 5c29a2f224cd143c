"""Entry of the command line; `python -m voicecheck` does the same."""

from voicecheck.cli import main
from voicecheck.cli.commands import ENTRIES, Entry
from voicecheck.web.command import register

ENTRIES.append(Entry(names=("page",), register=register))

if __name__ == "__main__":
    main()
