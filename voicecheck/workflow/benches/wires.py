"""How the wires go at each step of a calibration, drawn with letters."""

from __future__ import annotations

from voicecheck.records.benches import BenchSetup

_LOAD = r"""
   line drive o-----+-----+-----o line tap    line drive: output {line_drive}
                    |     |                   line tap:   input {line_tap}{tap}
                  [ R ]  (V)                  R: {load}   V: the meter
                    |     |
       common o-----+-----+-----o common
"""
_PAD = r"""
   line drive o------[ pad ]------o line tap     line drive: output {line_drive}
                        |                        line tap:   input {line_tap}
       common o---------+---------o common       pad: {load}
"""
_MICROPHONE = r"""
   +------------+  +------------+
   | calibrator |==| microphone |---o ear        ear: input {ear}
   +------------+  +------------+
"""
_MOUTH = r"""
   mouth o--[ amplifier ]--<|  d  (==o ear       mouth: output {mouth}
                                                 ear:   input {ear}
                 d: to where the mouthpiece will be{distance}
"""
_BLANK = r"""
   line drive o-----[ blank, its source ]        line drive: output {line_drive}
                    [ ring, greased     ]
                    [ coupler ]---o ear          ear: input {ear}
"""
_HANDSET = r"""
   mouth o--<|  (mouthpiece == handset == receiver)[coupler]--o ear
                              |
                            cord            mouth: output {mouth}, ear: input {ear}
                              |
   line drive o-----------[ feed ]-----------o line tap
   output {line_drive}               {feed}               input {line_tap}
"""
PICTURES = {
    "electrical-out": _LOAD,
    "electrical-in": _LOAD,
    "loop-back": _PAD,
    "microphone": _MICROPHONE,
    "mouth": _MOUTH,
    "seal": _BLANK,
    "reference-transmit": _HANDSET,
    "reference-receive": _HANDSET,
}


def draw_wires(step: str, setup: BenchSetup) -> str:
    """
    Picture of a step with the channels of this bench.

    Parameters
    ----------
    step : str
    setup : BenchSetup

    Returns
    -------
    str
        Lines of at most 78 letters, without a newline at either end.
    """
    return (
        PICTURES[step]
        .strip("\n")
        .format(
            line_drive=setup.line_drive_channel,
            line_tap=setup.line_tap_channel,
            mouth=setup.mouth_channel,
            ear=setup.ear_channel,
            load=f"{setup.load_ohm:.0f} ohm",
            tap=", not yet" if step == "electrical-out" else ", 10k or more",
            distance=f", {setup.mouth_mm:g} mm" if setup.mouth_mm else "",
            feed=f"{setup.feed_ma:g} mA" if setup.feed_ma else "on",
        )
    )
