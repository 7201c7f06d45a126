"""Which captures belong to which pieces, by what their headers say.

Problem: a header holds what somebody typed at the rig, a slip included. Plan: a capture is attached where its
specimen is known and its batch agrees; all else is a conflict that is reported, never settled by guessing. A
capture that was moved is found again by its id. Cost: one pass over the captures and the register.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rig.errors import InputError
from rig.register import records as kinds
from rig.register.near_ids import near_ids, similar_ids
from rig.register.records import Record, checked_id, corrected
from rig.register.specimen import RegisteredSpecimen


@dataclass(frozen=True, slots=True)
class SeenCapture:
    """What the header of a capture says: ids, folder, start in ISO form, orientation where it was stated."""

    id: str
    folder: str
    specimen: str
    batch: str | None
    started: str
    orientation: str | None = None


@dataclass(frozen=True, slots=True)
class Conflict:
    """A capture that was not attached, and why, in a sentence."""

    folder: str
    why: str


@dataclass(frozen=True, slots=True)
class Linked:
    """What came of a folder of captures.

    `moved`: folders of captures that were attached before under another folder.
    """

    attached: tuple[tuple[str, str], ...]
    moved: tuple[str, ...]
    already: int
    added: tuple[str, ...]
    conflicts: tuple[Conflict, ...]


def plan_links(
    specimens: Mapping[str, RegisteredSpecimen], seen: Iterable[SeenCapture], *, add: bool, at: str
) -> tuple[Linked, list[Record]]:
    """Decide for each capture; nothing is written here.

    Parameters
    ----------
    add
        Enter specimens that are not known, unless one is spelt nearly so.

    Returns
    -------
    linked, records
        What comes of it, and the records to write.
    """
    plan = _Plan(specimens, at)
    for capture in seen:
        why = plan.take(capture, add=add)
        if why:
            plan.conflicts.append(Conflict(capture.folder, why))
    linked = Linked(
        tuple(plan.attached), tuple(plan.moved), plan.already, tuple(plan.added), tuple(plan.conflicts)
    )
    return linked, plan.records


class _Plan:
    """What has been decided so far."""

    def __init__(self, specimens: Mapping[str, RegisteredSpecimen], at: str) -> None:
        self.attached: list[tuple[str, str]] = []
        self.moved: list[str] = []
        self.already = 0
        self.added: list[str] = []
        self.conflicts: list[Conflict] = []
        self.records: list[Record] = []
        self._at = at
        self._batches = {name: specimen.batch for name, specimen in specimens.items()}
        self._owners = {
            record.text: record
            for specimen in specimens.values()
            for record in specimen.holding
            if record.kind == kinds.CAPTURE
        }
        self._seen: dict[str, str] = {}

    def take(self, capture: SeenCapture, *, add: bool) -> str:
        """Decide for one capture, and return why it is not attached; empty where it is."""
        twice = self._seen.setdefault(capture.id, capture.folder)
        if twice != capture.folder:
            return f"is the same capture as {twice}; is it a copy?"
        name = capture.specimen
        owner = self._owners.get(capture.id)
        if owner is not None and owner.specimen != name:
            return f"says specimen {name}, but is attached to {owner.specimen}"
        if name not in self._batches:
            why = self._unknown(name, add=add)
            if why:
                return why
        batch = self._batches.get(name)
        if capture.batch and batch and capture.batch != batch:
            return f"says batch {capture.batch}, but {name} is of batch {batch} in the register"
        if owner is not None:
            if owner.detail == capture.folder:
                self.already += 1
            else:
                self.moved.append(capture.folder)
                self.records.append(corrected(owner, "found in another folder", detail=capture.folder))
            return ""
        self._attach(capture, batch)
        return ""

    def _unknown(self, name: str, *, add: bool) -> str:
        known = list(self._batches)
        spelt = similar_ids(name, known)
        if spelt or not add:
            near = spelt or near_ids(name, known)
            asked = f" (did you mean {' or '.join(near)}?)" if near else ""
            return f"says specimen {name}, which is not in the register{asked}"
        try:
            checked_id(name)
        except InputError as problem:
            return f"says a specimen that the register cannot take: {problem}"
        self._batches[name] = None
        self.added.append(name)
        self.records.append(Record(specimen=name, kind=kinds.REGISTERED, at=self._at, how="capture"))
        return ""

    def _attach(self, capture: SeenCapture, batch: str | None) -> None:
        name, at = capture.specimen, capture.started
        how = f"capture {capture.id[:8]}"
        # what the register does not say yet, the first capture that states it says
        if capture.batch and not batch:
            self._batches[name] = capture.batch
            self.records.append(Record(specimen=name, kind=kinds.BATCH, text=capture.batch, at=at, how=how))
        if capture.orientation:
            self.records.append(
                Record(specimen=name, kind=kinds.ORIENTATION, text=capture.orientation, at=at, how=how)
            )
        self.records.append(
            Record(specimen=name, kind=kinds.CAPTURE, text=capture.id, detail=capture.folder, at=at)
        )
        self.attached.append((capture.folder, name))
