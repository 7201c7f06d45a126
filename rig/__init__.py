"""Press-rig data acquisition and analysis: from bytes on a serial port to numbers to design from.

For notebooks: `rig.open_capture(path).cycles()` is a data frame with one row per cycle,
`rig.captures(folder)` has one row per capture of an archive, `rig.pieces(folder).frame()` one per capture
that it measures, `rig.compare(folder).frame()` one per difference between batches, and
`rig.design_sheet(folder)` holds the figures of a design sheet. The numbers are the commands'.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.notebook import captures, compare, design_sheet, pieces
    from rig.notebook import open_recording as open_capture

__version__ = "0.1.0"
__all__ = ["__version__", "captures", "compare", "design_sheet", "open_capture", "pieces"]


def __dir__() -> list[str]:
    """Return the public names alone, which a notebook completes before any of them is loaded."""
    return list(__all__)


def __getattr__(name: str) -> Any:
    """Load the notebook's face when it is first asked for: commands must not pay for it."""
    if name not in __all__:
        raise AttributeError(f"module 'rig' has no attribute {name!r}")
    from rig import notebook  # noqa: PLC0415

    return getattr(notebook, "open_recording" if name == "open_capture" else name)
