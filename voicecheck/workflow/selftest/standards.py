"""Tables of standards as they are shipped: whole, and as the standards' own formulas have them."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable
from importlib import resources

import numpy as np

from voicecheck.records.arrays import Array
from voicecheck.weighting import make_band_frequencies, rate_loudness
from voicecheck.workflow.selftest.tasks import Task, Tried, hold

Read = Callable[[str], bytes]
Rows = tuple[dict[str, str], ...]
DIGESTS = "selftest/digests.csv"
POINTS = "selftest/points.csv"
INSTALL_AGAIN = "install the program again; the file is not what was shipped"
CORRECTED_HZ = 100.0
"""Where the printed row of ITU-T P.48 is a misprint and a computed one stands in for it."""


def read_data(name: str) -> bytes:
    """A file of the program's data by its path there."""
    return (resources.files("voicecheck") / "data" / name).read_bytes()


def list_standard_tasks(read: Read = read_data) -> tuple[Task, ...]:
    """
    What is held against the tables of standards.

    Parameters
    ----------
    read : callable
        Bytes of a file of the data; another one stands in for broken files.
    """

    def task(name: str, title: str, run: Callable[[Read], Tried], source: str) -> Task:
        return Task(group="standards", name=name, title=title, run=lambda: run(read), source=source)

    return (
        task("whole", "Tables as they were shipped", try_digests, "SHA-256 of each file"),
        task("points", "Points of the tables, typed a second time", try_points,
             "the standards named in the tables"),
        task("psophometric", "Noise weights against a filter of the same purpose",
             try_psophometric, "ITU-T O.41 (1994) against the filter of ITU-T G.191"),
        task("reference-system", "The reference telephone with and without its filter", try_irs,
             "ITU-T P.48 (1988) and P.830 (1996) annex D: full plus filter is modified"),
        task("loudness", "Loudness of the reference telephone against itself", try_loudness,
             "ITU-T P.79: 0 dB by its definition; the weights are from memory"),
        task("bands", "Middles of the bands", try_bands,
             "IEC 61260-1: 1000 Hz times powers of 10^(3/10b); the formula is from memory"),
    )  # fmt: skip


def load_rows(read: Read, name: str) -> Rows:
    """Rows of a table, its comment lines passed over."""
    lines = read(name).decode("utf-8").splitlines()
    return tuple(csv.DictReader(line for line in lines if not line.startswith("#")))


def try_digests(read: Read) -> Tried:
    """Each table against the digest that was taken of it when it was shipped."""
    rows = load_rows(read, DIGESTS)
    broken = [row["file"] for row in rows if compute_digest(read, row["file"]) != row["sha256"]]
    if broken:
        return Tried(outcome="fails", told=f"changed: {', '.join(broken)}", advice=INSTALL_AGAIN)
    return Tried(outcome="passes", told=f"{len(rows)} tables are as they were shipped")


def compute_digest(read: Read, name: str) -> str:
    """SHA-256 of a table, its line ends being those of any system; "" where there is none."""
    try:
        content = read(name)
    except OSError:
        return ""
    return hashlib.sha256(content.replace(b"\r\n", b"\n")).hexdigest()


def try_points(read: Read) -> Tried:
    """Values typed apart from the tables."""
    points = load_rows(read, POINTS)
    wrong = [told for point in points if (told := _hold_point(read, point))]
    if wrong:
        return Tried(outcome="fails", told="; ".join(wrong), advice=INSTALL_AGAIN)
    n_tables = len({point["table"] for point in points})
    return Tried(outcome="passes", told=f"{len(points)} points of {n_tables} tables agree")


def _hold_point(read: Read, point: dict[str, str]) -> str:
    """What is wrong with a point; "" where nothing is."""
    keys = point["key"].split("+")
    found = [
        row[point["column"]]
        for row in load_rows(read, f"standards/{point['table']}.csv")
        if "+".join(row[key] for key in keys) == point["row"]
    ]
    if any(_is_same(one, point["value"]) for one in found):
        return ""
    told = " or ".join(found) or "no row"
    return (
        f"{point['table']}, {point['row']}: {told} instead of {point['value']} {point['unit']} "
        f"({point['source']})"
    )


def _is_same(one: str, other: str) -> bool:
    try:
        return float(one) == float(other)
    except ValueError:
        return one == other


def _read_columns(read: Read, table: str, *names: str) -> list[Array]:
    """Columns of a table, NaN where a cell is empty."""
    rows = load_rows(read, f"standards/{table}.csv")
    return [np.array([float(row[name] or "nan") for row in rows]) for name in names]


def try_psophometric(read: Read) -> Tried:
    """The weights against a filter that was published beside them, within their own tolerance."""
    weight_db, filter_db, allowed_db = _read_columns(
        read, "itu_t_o41_psophometric", "weight_db", "itu_g191_fir_db", "tolerance_db"
    )
    known = np.isfinite(filter_db) & np.isfinite(allowed_db)
    off_db = np.abs(weight_db - filter_db)[known]
    is_within = bool(np.all(off_db <= allowed_db[known]))
    # The reference point is given without a tolerance, and is 0 dB on both sides.
    at = int(np.argmax(off_db if is_within else off_db - allowed_db[known]))
    return Tried(
        outcome="passes" if is_within else "fails",
        told=f"at the worst point {off_db[at]:.2f} dB apart ({allowed_db[known][at]:g} dB allowed)",
        advice="" if is_within else INSTALL_AGAIN,
        figures={"worst_db": float(off_db[at])},
    )


def try_irs(read: Read) -> Tried:
    """Sending and receiving with the junction filter, and without."""
    hz, send, receive, loss, plain_send, plain_receive = _read_columns(
        read, "itu_t_p48_irs", "frequency_hz", "send_db", "receive_db", "filter_loss_db",
        "modified_send_db", "modified_receive_db",
    )  # fmt: skip
    gaps = np.concatenate([send + loss - plain_send, receive + loss - plain_receive])
    known = np.isfinite(gaps) & (np.tile(hz, 2) != CORRECTED_HZ)
    # Each of the three is printed to a tenth.
    worst_db = float(np.max(np.abs(gaps[known])))
    return hold("the sum", worst_db, most=0.1, unit="dB", name="gap_db")


def try_loudness(read: Read) -> Tried:
    """Loudness ratings of the reference system, which rates others: 0 dB by definition."""
    hz, send, receive = _read_columns(
        read, "itu_t_p48_irs", "frequency_hz", "send_db", "receive_db"
    )
    at, weight_send, weight_receive, loss = _read_columns(
        read, "itu_t_p79_weights", "frequency_hz", "w_send_4_17", "w_receive_4_17", "l_e_db"
    )
    known = np.isfinite(weight_send)
    where = [int(np.flatnonzero(hz == one)[0]) for one in at[known]]
    slr_db = rate_loudness(send[where], weight_send[known])
    rlr_db = rate_loudness(receive[where] - loss[known], weight_receive[known])
    worst_db = max(slr_db, rlr_db, key=abs)
    return hold("the rating", worst_db, most=0.05, unit="dB", name="rating_db")


def try_bands(read: Read) -> Tried:
    """Middles of third and twelfth octaves, by exact powers."""
    del read
    worst = 0.0
    for fraction in (3, 12):
        found = make_band_frequencies(fraction)
        # Even fractions have no band in the middle of which 1000 Hz lies.
        shift = 0.0 if fraction % 2 else 0.5
        order = np.round(np.log10(found / 1000.0) * 10.0 * fraction / 3.0 - shift) + shift
        exact = 1000.0 * 10.0 ** (3.0 * order / (10.0 * fraction))
        worst = max(worst, float(np.max(np.abs(found / exact - 1.0))))
    return hold("the middle", 1e6 * worst, most=0.01, unit="millionths", name="worst_ppm")
