"""Deconvolution of the sweeps: linear and harmonic kernels, windowed for each frequency."""

from voicecheck.response.calibrated import (
    list_shared_rows,
    read_column_db,
    weigh_shared_rows,
)
from voicecheck.response.cuts import PairOfCuts, find_pair_of_cuts, move_sweeps
from voicecheck.response.mending import mend_sweeps
from voicecheck.response.reflections import (
    Reflections,
    clean_recording,
    find_reflections,
    remove_reflections,
)
from voicecheck.response.source import compute_source_harmonic, convert_source, find_share
from voicecheck.response.sweeps import (
    LOW_BAND_HZ,
    Kernels,
    SweepSpectra,
    compute_kernels,
    compute_sweep_spectra,
    restore_sweeps,
)
from voicecheck.response.transfer import (
    Transfer,
    combine_uncertainty_db,
    compute_transfer,
    estimate_uncertainty_db,
    evaluate_reference_level,
)
from voicecheck.response.windows import (
    NoiseDensity,
    estimate_variance,
    evaluate_kernel,
    make_noise_density,
)

__all__ = [
    "LOW_BAND_HZ",
    "Kernels",
    "NoiseDensity",
    "PairOfCuts",
    "Reflections",
    "SweepSpectra",
    "Transfer",
    "clean_recording",
    "combine_uncertainty_db",
    "compute_kernels",
    "compute_source_harmonic",
    "compute_sweep_spectra",
    "compute_transfer",
    "convert_source",
    "estimate_uncertainty_db",
    "estimate_variance",
    "evaluate_kernel",
    "evaluate_reference_level",
    "find_pair_of_cuts",
    "find_reflections",
    "find_share",
    "list_shared_rows",
    "make_noise_density",
    "mend_sweeps",
    "move_sweeps",
    "read_column_db",
    "remove_reflections",
    "restore_sweeps",
    "weigh_shared_rows",
]
