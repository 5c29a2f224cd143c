"""What happened, in order, for every page that is open."""

from __future__ import annotations

import threading
from collections import deque
from typing import Any

KEPT = 1024


class Journal:
    """
    A short memory that one thread writes and every open page reads at its own pace.

    Examples
    --------
    >>> journal = Journal()
    >>> at = journal.end
    >>> journal.put("work", {"line": "Seat 1"})
    >>> journal.read(at)
    ([('work', {'line': 'Seat 1'})], 1)
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._items: deque[tuple[str, Any]] = deque(maxlen=KEPT)
        self._n_put = 0

    @property
    def end(self) -> int:
        """Where somebody begins to read who wants what comes from now on."""
        return self._n_put

    def put(self, kind: str, data: Any) -> None:
        """Add what happened."""
        with self._lock:
            self._items.append((kind, data))
            self._n_put += 1

    def read(self, since: int) -> tuple[list[tuple[str, Any]], int]:
        """What was put since then, and where to read on; of many meter values the last only."""
        with self._lock:
            n_new = min(self._n_put - since, len(self._items))
            new = list(self._items)[len(self._items) - n_new :] if n_new else []
            end = self._n_put
        last = max((i for i, (kind, _) in enumerate(new) if kind == "meter"), default=-1)
        kept = [one for i, one in enumerate(new) if one[0] != "meter" or i == last]
        return kept, end
