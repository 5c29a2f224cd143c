"""Who does the work; loads without numpy."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """
    What stands at the head of every paper.

    Parameters
    ----------
    name : str
    address : str
        Lines as they are printed.
    sign : str
        A picture as an address of data ("data:image/png;base64,..."), made harmless; "" for none.
    """

    name: str = ""
    address: str = ""
    sign: str = ""

    @property
    def letterhead(self) -> tuple[str, ...]:
        """Name and lines of the address, as far as there are any."""
        lines = (self.name, *self.address.splitlines())
        return tuple(line.strip() for line in lines if line.strip())
