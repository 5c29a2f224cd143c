"""Programme + recording -> measurement: the one entry into the analysis."""

from voicecheck.measure.recordings import describe_recording, measure_recording, measure_source

__all__ = ["describe_recording", "measure_recording", "measure_source"]
