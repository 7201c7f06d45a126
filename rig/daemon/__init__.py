"""What holds the port for as long as a recording lasts, and joins reader, capture and live analysis.

In: a reader and what to record. Out: a capture on disk. It may see every other package but the command
line; nothing but the command line may see it.
"""

from rig.daemon.recording import Progress, Recorded, StopRule, record

__all__ = ["Progress", "Recorded", "StopRule", "record"]
