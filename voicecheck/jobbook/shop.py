"""The shop, said once for every paper."""

from __future__ import annotations

import sqlalchemy as sa

from voicecheck.errors import InputError
from voicecheck.jobbook import tables
from voicecheck.jobbook.core import BookCore
from voicecheck.jobbook.rows import (
    check_text,
    decode_record,
    encode_record,
    insert_row,
    select_rows,
    utc_now,
)
from voicecheck.records.shop import Shop

MOST_LINES, MOST_LETTERS, MOST_SIGN = 8, 200, 1 << 20


class ShopShelf(BookCore):
    """Who does the work."""

    def load_shop(self) -> Shop:
        """The shop; an empty one where none was said."""
        statement = sa.select(tables.shop).order_by(tables.shop.c.id.desc()).limit(1)
        with self._reading() as connection:
            rows = select_rows(connection, tables.shop, statement)
        return decode_record(rows[0]["document"], Shop, "the shop") if rows else Shop()

    def save_shop(self, shop: Shop) -> None:
        """
        Say who does the work; what was said before is gone.

        Raises
        ------
        InputError
            Too long for the head of a paper.
        """
        check_text("shop", f"{shop.name}{shop.address}{shop.sign}")
        lines = shop.letterhead
        if len(lines) > MOST_LINES or any(len(line) > MOST_LETTERS for line in lines):
            raise InputError(
                f"shop: need at most {MOST_LINES} lines of {MOST_LETTERS} letters; nothing was kept"
            )
        if len(shop.sign) > MOST_SIGN:
            raise InputError("shop: the sign is too large; need less than 700 kB; nothing was kept")
        document = encode_record(shop)
        with self._writing() as connection:
            connection.execute(sa.delete(tables.shop))
            insert_row(connection, tables.shop, saved_utc=utc_now(), document=document)
