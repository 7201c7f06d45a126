"""`pressrig weigh`: masses of pieces, from a scale, from the rig's own cell, or typed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.calibration import mass_load_n
from rig.cli.options import FILE, port_option, quantity_option, read_quantity
from rig.cli.output import console, is_plain, json_option, print_json, say
from rig.cli.specimens_options import read_at, register_option, who_option
from rig.cli.weigh_taking import SCALE_UNSAID, weigh_pieces
from rig.core import US, chosen_units, read_text, rounded
from rig.errors import InputError
from rig.population import resolution_note, spread_note, typed_weighing
from rig.register import Record, Register, similar_ids
from rig.sheets import empty_table
from rig.units import factor

if TYPE_CHECKING:
    from rig.population import Weighing


AIR_OUT = ", air taken out"


@dataclass(frozen=True, slots=True)
class WeighedPiece:
    """A piece and its mass, with what is to be thought of it."""

    specimen: str
    weighing: Weighing
    mass_g: float
    u_g: float
    how: str
    notes: tuple[str, ...]


@click.command("weigh")
@click.argument("pieces", nargs=-1, metavar="[ID | ID=MASS]...")
@click.option(
    "--rig", "rig_file", type=FILE, help="Read this scale or rig; configs/rigs/scale.yaml is an example."
)
@port_option()
@click.option("--ids", type=FILE, metavar="FILE", help="File of ids in weighing order, one per line.")
@click.option(
    "--resolution", metavar="Q", help='Smallest step of the scale, "0.1 g".  [default: from its readings]'
)
@quantity_option("--scale-u", "scale_u_pct", 'Standard uncertainty of the scale itself, "0.05 %".')
@click.option("--gravity", metavar="Q", help='Local gravity, for a rig that measures force, "9.8145 m/s^2".')
@click.option(
    "--latitude", type=float, metavar="DEG", help="Latitude, for gravity by the international formula."
)
@click.option(
    "--altitude", type=float, default=0.0, metavar="M", help="Height above sea level, with --latitude."
)
@click.option(
    "--density", metavar="Q", help='Density of the pieces, "120 kg/m^3", to correct for air buoyancy.'
)
@click.option("--unit", type=click.Choice(["g", "kg", "oz", "lb"]),
    help="Unit of the masses shown.  [default: oz with --units us, else g]",
)  # fmt: skip
@quantity_option("--settle", "settle_s", "Shortest settled reading.", default="2 s")
@quantity_option("--wait", "wait_s", "Longest wait for a piece.", default="10 min")
@click.option(
    "--add", "enter", is_flag=True, help="Enter pieces that are not in the register; makes the register."
)
@click.option("--batch", metavar="ID", help="With --add: batch of the pieces.")
@click.option("--print-only", is_flag=True, help="Write nothing into the register.")
@click.option("--at", metavar="TIME", help="When typed masses were weighed.  [default: now]")
@who_option
@register_option
@json_option
def command(pieces: tuple[str, ...], *, path: Path, as_json: bool, **given: Any) -> None:
    """Weigh pieces one after another, and note their masses.

    With --rig, empty the pan, then put the pieces on in the order of their ids, without taring in between;
    the mass is the difference each one makes. You may take them off or press tare at any time. Without ids
    you are asked for each: type it and put the piece on; `tare` takes a new zero; an empty line ends. A knock
    does not count as a piece.

    Without --rig, type the masses: pressrig weigh F-90-001="37.2 g" F-90-002="1.31 oz".
    """
    if given["batch"] and not given["enter"]:
        raise InputError("--batch: needs --add")
    given["unit"] = given["unit"] or ("oz" if chosen_units() == US else "g")
    keep = not given["print_only"]
    if keep and not given["enter"] and not path.exists():
        raise InputError(
            f"{path}: no such register; give --add to make it and enter these pieces, or --print-only"
        )
    known = keep or path.exists()
    with Register(path, make=keep and given["enter"]) if known else nullcontext() as register:
        keeper = _Keeper(register, given)
        if given["rig_file"] is None:
            typed = _typed(pieces, given, keeper.relative_u)
            for name, _ in typed:
                keeper.refuse_unknown(name)
            for name, weighing in typed:
                keeper.refuse_unknown(name)  # it may be spelt nearly as one that was entered before it
                keeper.keep(name, weighing, "typed")
            about: dict[str, Any] = {"notes": [] if given["scale_u_pct"] else [SCALE_UNSAID]}
            for note in about["notes"]:
                say(note, err=True)
        else:
            about = _on_a_scale(_ids(pieces, given["ids"]), given, keeper)
    if as_json:
        print_json({"weighed": [_entry(piece, given["unit"]) for piece in keeper.weighed]} | about)
    elif keeper.weighed:
        console().print(_table(keeper.weighed, given["unit"]))
    if not as_json and given["density"] is None and keeper.weighed:
        say(
            "Masses are as weighed in air: a piece of 100 kg/m^3 is really 1.2 % heavier; correct for "
            "this with --density."
        )
    if about.get("not_weighed"):
        say(f"not weighed: {', '.join(about['not_weighed'])}", err=True)
        raise click.exceptions.Exit(1)


class _Keeper:
    """Judges each mass, says what is odd about it, and writes it down at once."""

    def __init__(self, register: Register | None, given: dict[str, Any]) -> None:
        self.weighed: list[WeighedPiece] = []
        self._register = register
        self._given = given
        self.relative_u = (given["scale_u_pct"] or 0.0) / 100
        """Of the scale itself, as a share."""
        self._in_vacuo = _in_vacuo(given["density"])
        self._air_out = given["density"] is not None

    def refuse_unknown(self, name: str) -> None:
        """Refuse an id that the register does not know, unless such are entered.

        Raises InputError, asking about ids that are spelt nearly so.
        """
        if self._register is None:
            return
        if self._given["enter"] and name not in self._register.ids():
            near = similar_ids(name, self._register.ids())
            if near:
                raise InputError(f"specimen {name}: did you mean {' or '.join(near)}?")
            return
        if not self._given["print_only"]:
            try:
                self._register.specimen(name)
            except InputError as problem:
                raise InputError(f"{problem}; --add enters a new piece") from None

    def keep(self, name: str, weighing: Weighing, how: str) -> WeighedPiece:
        """Keep a mass."""
        mass_g, u_g = weighing.mass_g * self._in_vacuo, weighing.u_g * self._in_vacuo
        notes = [resolution_note(weighing), spread_note(mass_g, self._others_g(name))]
        said = tuple(note for note in notes if note)
        for note in said:
            say(f"warning: {name}: {note}", err=True)
        weighed = WeighedPiece(name, weighing, mass_g, u_g, how, said)
        self.weighed.append(weighed)
        if self._register is not None and not self._given["print_only"]:
            self._write(weighed)
        return weighed

    def _others_g(self, name: str) -> list[float]:
        """Return the masses of the other pieces of its batch, with or without the air as this one."""
        batch, others = self._given["batch"], {}
        if self._register is not None:
            if name in self._register.ids():
                batch = self._register.specimen(name).batch
            if batch is not None:
                pieces = self._register.specimens(batch=batch)
                others = {
                    piece.id: piece.mass.g
                    for piece in pieces
                    if piece.mass is not None and self._air_out == (piece.mass.how or "").endswith(AIR_OUT)
                }
        others.pop(name, None)
        return list(others.values())

    def _write(self, weighed: WeighedPiece) -> None:
        assert self._register is not None
        name, at, who = weighed.specimen, read_at(self._given["at"]), self._given["who"]
        if name not in self._register.ids():
            batch = self._given["batch"]
            told = [Record(specimen=name, kind="batch", text=batch, at=at, who=who)] if batch else []
            self._register.add(name, told)
        if weighed.mass_g <= 0:
            say(f"warning: {name}: no mass to write", err=True)
            return
        how = weighed.how + (AIR_OUT if self._air_out else "")
        mass = Record(
            specimen=name, kind="mass", value=weighed.mass_g, u=weighed.u_g, how=how, at=at, who=who
        )
        self._register.write([mass])


def _typed(
    pieces: Sequence[str], given: dict[str, Any], scale_relative_u: float
) -> list[tuple[str, Weighing]]:
    """Ids and masses of ID=MASS."""
    if given["port"] or given["ids"]:
        raise InputError("weigh: --port and --ids need --rig")
    if not pieces:
        raise InputError('weigh: expected --rig FILE, or masses such as F-90-001="37.2 g"')
    pairs = []
    for piece in pieces:
        name, separator, text = piece.rpartition("=")
        if not separator or not name.strip():
            raise InputError(
                f'weigh: found {piece!r:.40}, expected ID=MASS, such as F-90-001="37.2 g", or --rig FILE'
            )
        weighing = typed_weighing(text.strip(), given["resolution"], scale_relative_u=scale_relative_u)
        pairs.append((name.strip(), weighing))
    return pairs


def _ids(pieces: Sequence[str], listed: Path | None) -> list[str]:
    """Ids in the order in which the pieces are put on; none to ask for each."""
    if listed is not None:
        if pieces:
            raise InputError("--ids: the file names the pieces; leave out the ids on the command line")
        lines = [line.strip() for line in read_text(listed, most=1 << 20).splitlines()]
        pieces = [line for line in lines if line and not line.startswith("#")]
        if not pieces:
            raise InputError(f"{listed}: no piece in it; expected one id per line")
    typed = [piece for piece in pieces if "=" in piece]
    if typed:
        raise InputError(
            f"weigh: found {typed[0]!r:.40} with --rig; expected only ids, since the scale gives the mass"
        )
    twice = sorted(piece for piece, count in Counter(pieces).items() if count > 1)
    if twice:
        raise InputError(f"weigh: {', '.join(twice)} is named twice; expected each piece once")
    return list(pieces)


def _on_a_scale(ids: Sequence[str], given: dict[str, Any], keeper: _Keeper) -> dict[str, Any]:
    """Weigh on a scale, and say how its zero moved."""
    for name in ids:
        keeper.refuse_unknown(name)

    def kept(name: str, weighing: Weighing, how: str) -> str:
        weighed, unit = keeper.keep(name, weighing, how), given["unit"]
        mass, u = (factor("g", unit) * value for value in (weighed.mass_g, weighed.u_g))
        return f"{name}: {rounded(mass, u)} {unit}, u {u:.2g} {unit}"

    found = weigh_pieces(ids, given, keeper.relative_u, keeper.refuse_unknown, kept)
    for note in found.notes:
        say(note, err=True)
    return {
        "knocks": found.knocks,
        "zero_drift_g_per_s": found.zero_drift_g_per_s,
        "resolution_g": found.resolution_g,
        "not_weighed": list(ids)[len(keeper.weighed) :],
        "notes": list(found.notes),
    }


def _in_vacuo(density: str | None) -> float:
    """Return what a mass as weighed in air is multiplied with; scales are set with steel masses in air."""
    value = read_quantity("--density", density, "kg/m^3")
    if value is None:
        return 1.0
    if value < 2:
        raise InputError(f"--density: found {density!r}, expected more than the density of air, 1.2 kg/m^3")
    return mass_load_n(1.0, 1.0) / mass_load_n(1.0, 1.0, mass_kg_per_m3=value)


def _entry(weighed: WeighedPiece, unit: str) -> dict[str, Any]:
    return {
        "specimen": weighed.specimen,
        "mass_g": weighed.mass_g,
        "u_g": weighed.u_g,
        f"mass_{unit}": weighed.mass_g * factor("g", unit),
        "in_air_g": weighed.weighing.mass_g,
        "resolution_g": weighed.weighing.resolution_g,
        "budget": [{"source": source, "u_g": u} for source, u in weighed.weighing.parts],
        "how": weighed.how,
        "notes": list(weighed.notes),
    }


def _table(weighed: Sequence[WeighedPiece], unit: str) -> Any:
    per = factor("g", unit)
    numbers = (f"mass\n{unit}", f"u\n{unit}")
    table = empty_table("masses", ("specimen",), numbers, ("how", "remark"), plain=is_plain())
    for piece in weighed:
        u = piece.u_g * per
        remark = "; ".join(note.partition(":")[0] for note in piece.notes)
        table.add_row(piece.specimen, rounded(piece.mass_g * per, u), rounded(u, u), piece.how, remark)
    return table
