"""
Harmonics that the source puts out itself: measured once without a set, taken off a set's.

A source that plays drive x puts out M1 x and harmonics M2 x^2 and so on; a linear set with the
response G then gives the harmonic G(mf) Mm(f), which no set of its own makes. What is kept is
R(f) = Mm(f) / M1(mf), both as one recording saw them: the microphone's response stands in both at
the same frequency and falls out, and so does the delay. With a set in its place the linear transfer
function is H(mf) = G(mf) M1(mf), and the source's share in harmonic m is R(f) H(mf): with its
phase, so that it can be subtracted. That is exact for a set that is linear or nearly so; products
of the source's harmonics with the set's own curvature are of second order and stay.

Without the phase (the source was driven another way, or more than `EXACT_DB` louder or softer) only
a band is exact: the set's own harmonic lies within the source's share of what was read.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from voicecheck.records import Recipe
from voicecheck.records.arrays import Array
from voicecheck.records.signals import SourceDistortion, SourceHarmonic
from voicecheck.response.sweeps import ComplexArray, Kernels, SweepSpectra
from voicecheck.response.transfer import compute_transfer
from voicecheck.response.windows import NoiseDensity

LINEAR_SHARE = 0.875
"""Of the sweep's last frequency: up to there it is at full level, and the response is known."""
LEFT_SHARE = 0.1
"""What a subtraction leaves of the source's harmonic: it wanders from day to day (PROP)."""
EXACT_DB = 3.0
"""Difference of drive over which harmonic m is taken to grow by m - 1 dB a dB (PROP)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """
    What the source adds to one harmonic at some frequencies; shape (n_points,) each.

    `values` is what to subtract (0 where no phase is known), `variance` that of it, `left` the
    half-width of what stays uncertain after that.
    """

    values: ComplexArray
    variance: Array
    left: Array


def compute_source_harmonic(
    kernels: Kernels,
    spectra: SweepSpectra,
    recipe: Recipe,
    frequency_hz: Array,
    noise: NoiseDensity,
    *,
    order: int,
) -> SourceHarmonic:
    """
    A harmonic of the source from a recording that holds nothing but the source.

    Parameters
    ----------
    kernels : Kernels
    spectra : SweepSpectra
    recipe : Recipe
    frequency_hz : ndarray, shape (n_points,)
        Of the fundamental; those whose harmonic is beyond the recording's band are left out.
    noise : NoiseDensity
    order : int

    Returns
    -------
    SourceHarmonic
    """
    own = compute_transfer(kernels, spectra, recipe, frequency_hz, noise, order=order)
    first = compute_transfer(kernels, spectra, recipe, frequency_hz, noise)
    is_linear = order * frequency_hz <= LINEAR_SHARE * recipe.sweep_to_hz
    above = compute_transfer(kernels, spectra, recipe, order * frequency_hz[is_linear], noise)
    ratio = own.values[is_linear] / above.values
    return SourceHarmonic(
        order=order,
        frequency_hz=_list(frequency_hz[is_linear]),
        real=_list(ratio.real),
        imag=_list(ratio.imag),
        spread=_list(np.sqrt(own.variance[is_linear]) / np.abs(above.values)),
        size_hz=_list(frequency_hz),
        size=_list(np.abs(own.values) / np.abs(first.values)),
    )


def find_share(
    source: SourceDistortion,
    kernels: Kernels,
    spectra: SweepSpectra,
    recipe: Recipe,
    *,
    frequency_hz: Array,
    fundamental: Array,
    noise: NoiseDensity,
    order: int,
) -> Share:
    """
    The source's share in a harmonic that was measured with a set in its place.

    Parameters
    ----------
    source : SourceDistortion
    kernels, spectra, recipe
        Of the recording with the set.
    frequency_hz : ndarray, shape (n_points,)
        Of the fundamental.
    fundamental : ndarray, shape (n_points,)
        Magnitude of the linear transfer function there.
    noise : NoiseDensity
    order : int

    Returns
    -------
    Share
        In the units of the transfer function. Beyond the band of the linear response the set is
        taken to pass the harmonic as well as the fundamental, and only a band is given.
    """
    shape = frequency_hz.shape
    share = Share(values=np.zeros(shape, complex), variance=np.zeros(shape), left=np.zeros(shape))
    known = next((one for one in source.harmonics if one.order == order), None)
    if known is None or not known.size_hz:
        return share
    gap_db = recipe.level_dbfs - source.level_dbfs
    grown = 10.0 ** ((order - 1) * gap_db / 20.0)
    points = np.log(frequency_hz)
    share.left[:] = grown * fundamental * np.interp(points, np.log(known.size_hz), known.size)
    inside = order * frequency_hz <= LINEAR_SHARE * recipe.sweep_to_hz
    if not known.frequency_hz or not np.any(inside):
        return share
    above = compute_transfer(kernels, spectra, recipe, order * frequency_hz[inside], noise)
    at = np.log(known.frequency_hz)
    real, imag, spread = (
        np.interp(points[inside], at, column) for column in (known.real, known.imag, known.spread)
    )
    values = grown * (real + 1j * imag) * above.values
    if source.is_phased and abs(gap_db) <= EXACT_DB:
        share.values[inside] = values
        share.variance[inside] = np.square(grown * spread * np.abs(above.values))
        share.left[inside] = LEFT_SHARE * np.abs(values)
    else:
        share.left[inside] = np.abs(values)
    return share


def convert_source(
    source: SourceDistortion, frequency_hz: Array, gain_db: Array
) -> SourceDistortion:
    """
    A source's harmonics as they are about when it is driven through a filter.

    Parameters
    ----------
    source : SourceDistortion
        Driven flat.
    frequency_hz, gain_db : ndarray, shape (n,)
        The filter's gain.

    Returns
    -------
    SourceDistortion
        Sizes only: harmonic m is taken to grow with the power m of the drive.
    """

    def gain(at_hz: Array) -> Array:
        gains_db = np.interp(np.log(at_hz), np.log(frequency_hz), gain_db)
        return np.asarray(10.0 ** (gains_db / 20.0))

    made = []
    for one in source.harmonics:
        at_hz, size_hz = np.array(one.frequency_hz), np.array(one.size_hz)
        grown = gain(at_hz) ** one.order / gain(one.order * at_hz) if len(at_hz) else at_hz
        made.append(
            dataclasses.replace(
                one,
                real=_list(grown * np.hypot(one.real, one.imag)),
                imag=_list(0.0 * grown),
                spread=_list(grown * np.array(one.spread)),
                size=_list(gain(size_hz) ** (one.order - 1) * np.array(one.size)),
            )
        )
    return dataclasses.replace(source, harmonics=tuple(made), is_phased=False)


def _list(values: Array) -> tuple[float, ...]:
    return tuple(float(f"{value:.6g}") for value in values)
