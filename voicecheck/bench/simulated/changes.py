"""Changes of a simulated telephone, of which its faults are made."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from voicecheck.bench.simulated.handset import HandsetModel
from voicecheck.bench.simulated.transmitter import AmplifiedElement, CarbonElement
from voicecheck.errors import InputError

Change = Callable[[HandsetModel, np.random.Generator], HandsetModel]


def pascals_from_dbspl(level_dbspl: float) -> float:
    """RMS of a sound pressure level, Pa."""
    return 20e-6 * ratio(level_dbspl)


def ratio(level_db: float) -> float:
    """Amplitude ratio of decibels."""
    return float(10.0 ** (level_db / 20.0))


def near(generator: np.random.Generator, low: float, typical: float, high: float) -> float:
    """Triangular draw: every value between low and high, most often near the typical one."""
    return float(generator.triangular(low, typical, high))


def change_transmitter(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change the transmitter; names that the amplified elements lack are left out for them."""
    known = {field.name for field in dataclasses.fields(model.transmitter)}
    changes = {name: value for name, value in changes.items() if name in known}
    return dataclasses.replace(model, transmitter=dataclasses.replace(model.transmitter, **changes))


def scale_send(model: HandsetModel, ratio: float) -> HandsetModel:
    """Change the sensitivity of the transmitter."""
    element = model.transmitter
    if isinstance(element, CarbonElement):
        return change_transmitter(model, depth_per_pa=element.depth_per_pa * ratio)
    return change_transmitter(model, current_a_per_pa=element.current_a_per_pa * ratio)


def change_receiver(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change the receiver."""
    return dataclasses.replace(model, receiver=dataclasses.replace(model.receiver, **changes))


def change_network(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change the network."""
    return dataclasses.replace(model, network=dataclasses.replace(model.network, **changes))


def change_jig(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change how the handset lies in the jig."""
    return dataclasses.replace(model, jig=dataclasses.replace(model.jig, **changes))


def change_disturbances(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change what comes on top."""
    return dataclasses.replace(
        model, disturbances=dataclasses.replace(model.disturbances, **changes)
    )


def change_granules(model: HandsetModel, **changes: Any) -> HandsetModel:
    """Change what the granules do over time."""
    granules = dataclasses.replace(get_carbon(model).granules, **changes)
    return change_transmitter(model, granules=granules)


def get_carbon(model: HandsetModel) -> CarbonElement:
    """Carbon transmitter of a telephone that must have one."""
    if not isinstance(model.transmitter, CarbonElement):
        message = "handset: this fault needs a carbon transmitter"
        raise InputError(message)
    return model.transmitter


def get_amplified(model: HandsetModel) -> AmplifiedElement:
    """Amplified transmitter of a telephone that must have one."""
    if not isinstance(model.transmitter, AmplifiedElement):
        message = "handset: this fault needs an amplified transmitter"
        raise InputError(message)
    return model.transmitter
