"""Press-rig data acquisition and analysis: from bytes on a serial port to numbers to design from.

For notebooks: `rig.open_capture(path).cycles()` is a data frame with one row for each squeeze.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.notebook import Recording

__version__ = "0.1.0"
__all__ = ["__version__", "open_capture"]


def open_capture(path: Path | str) -> Recording:
    """Open a capture's folder for analysis.

    Parameters
    ----------
    path
        Of the folder that holds `capture.yaml`.

    Raises
    ------
    rig.errors.CaptureError
        If there is no readable capture.
    """
    # the command line must not pay for tables and statistics that it may not need
    from rig.notebook import open_recording  # noqa: PLC0415

    return open_recording(path)
