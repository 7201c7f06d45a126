"""The register of specimens on disk: which pieces there are, what they weigh and measure, what they went
through.

In: what people and commands tell of a piece, each with its date. Out: pieces as they are now or were on a
day, with every mass, size and capture that belongs to them, and tables for other programs. Must not depend
on: ports, how a mass was measured, what a capture holds.

The register is one SQLite file of one table, `records`. A record is never changed: a correction is a further
record that names the one it corrects and says why.
"""

from typing import TYPE_CHECKING

from rig.core.faces import import_when_used

if TYPE_CHECKING:
    from rig.register.linking import Conflict, Linked, SeenCapture
    from rig.register.near_ids import near_ids, similar_ids
    from rig.register.records import FIXED, KINDS, Record, corrected, read_day_or_time
    from rig.register.specimen import BelongingCapture, Mass, RegisteredSpecimen, Size
    from rig.register.spreadsheet import import_into, records_csv, specimens_csv
    from rig.register.store import Register

import_when_used(__name__)
