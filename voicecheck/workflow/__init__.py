"""
What the command line, the page and a script do: here alone bench, job book and paper meet.

Every function takes and gives records; nothing here prints.
"""

from voicecheck.records.shown import Display, show_by


def _find_display() -> Display:
    """Whoever has a record from here can show it; the charts load when one is shown."""
    from voicecheck.charts import find_display

    return find_display()


show_by(_find_display)
