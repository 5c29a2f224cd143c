"""Entry of the command line; `python -m voicecheck` does the same."""

from voicecheck.cli import app, main
from voicecheck.web.command import register

register(app)

if __name__ == "__main__":
    main()
