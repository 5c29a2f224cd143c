"""How the reference sets of a type vary together, and which of them do not belong."""

from __future__ import annotations

from dataclasses import dataclass

from voicecheck.records.arrays import Array, freeze_arrays, is_same


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """
    A reference set that stands out from the others of its baseline.

    `probability` is the chance that any set of a baseline of as many healthy ones stands out by as
    much; `why` says in what, in words.
    """

    job: int | None
    path: str
    probability: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covariation:
    """
    Figures of each reference set, and the level that is left once the others are allowed for.

    `traits` names the figures, all in dB; `mean` has shape (n_traits,), `deviations` from it shape
    (n_sets, n_traits), NaN where a figure was withheld. The own level of one more set is
    `weights` times its deviations, each kept within +-`caps` (NaN: as it is); `sd_db` with `dof`
    degrees of freedom is its spread, `low_db` and `high_db` its limits for one path compared
    alone, `None` with too few sets. `seat_sd_db` is its spread between the seats of a run,
    `noise_from` the figure behind the noise, `lent_dof` what kindred types add to the covariance.
    """

    traits: tuple[str, ...]
    mean: Array
    deviations: Array
    weights: Array
    caps: Array
    sd_db: float
    dof: float
    low_db: float | None
    high_db: float | None
    seat_sd_db: float | None = None
    noise_from: str = ""
    lent_dof: float = 0.0

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        freeze_arrays(self)

    def same_as(self, other: Covariation) -> bool:
        """Whether both hold the same values, NaN equal to NaN."""
        return is_same(self, other)
