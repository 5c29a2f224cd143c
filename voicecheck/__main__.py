"""Entry of the command line; `python -m voicecheck` does the same."""

from voicecheck.cli import main

if __name__ == "__main__":
    main()
