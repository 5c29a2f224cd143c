"""The hardware side: devices and what is known about them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """
    A sound device as the system lists it; `index` is good until the next re-plugging only.

    Parameters
    ----------
    name, host_api : str
        Together they name the device across re-plugging.
    n_inputs, n_outputs : int
        Channels.
    default_rate_hz : float
    index : int
    """

    name: str
    host_api: str
    n_inputs: int
    n_outputs: int
    default_rate_hz: float
    index: int = -1
