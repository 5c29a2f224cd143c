"""
The sound-card bench.

Sound runs in a child process with a deadline: no audio error is ever raised in mid-run, and many
faults hang the process that meets them for good. Only ending that process ends them, so the
program itself never loads the audio library.
"""

from voicecheck.bench.soundcard.card import SoundCardBench, list_devices
from voicecheck.bench.soundcard.takes import Wiring, listen
from voicecheck.records.benches import Device

__all__ = ["Device", "SoundCardBench", "Wiring", "list_devices", "listen"]
