"""The ports of the reference firmware to other chips, built, each with a bench around its chip's emulator.

A folder that this module makes looks like one of `simulated_press.built`: `bench` and `firmware.elf`, so that
everything there runs on a port as it does on the first chip.
"""

from __future__ import annotations

import fcntl
import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from simulated_press import REFERENCE, make

IMAGES = {"rp2040": "rp2040.uf2", "stm32f4": "stm32f4.bin"}
"""What is written to the chip of each port."""

EMULATOR = REFERENCE / "bench" / "node_modules" / "rp2040js"
BUILT_OF = {".c", ".h", ".S", ".ld", ".mjs", ".json"}


def missing() -> str:
    """What has to be installed before a port can be built and emulated, in words; empty if all is here."""
    needed = {"make": "make", "cc": "gcc", "arm-none-eabi-gcc": "gcc-arm-none-eabi", "node": "nodejs"}
    packages = [package for program, package in needed.items() if shutil.which(program) is None]
    if "nodejs" not in packages and not headers().exists():
        packages.append("libnode-dev")
    if packages:
        return f"apt install {' '.join(packages)}"
    return "" if EMULATOR.exists() else "npm install --no-package-lock in firmware_notes/reference/bench"


def headers() -> Path:
    """Where node keeps what its addons are compiled with."""
    node = ["node", "-p", "require('path').resolve(process.execPath, '../../include/node/node_api.h')"]
    return Path(subprocess.run(node, capture_output=True, text=True, timeout=60, check=True).stdout.strip())


def skip_without_tools() -> None:
    if missing():
        pytest.skip(f"the tools of the ports are missing: {missing()}", allow_module_level=True)


def build_port(folder: Path, port: str, *settings: str, sources: Path = REFERENCE) -> str:
    """Build a port's firmware and its bench into a folder; all that make said."""
    said = make(folder, port, f"{port}_bench", *settings, sources=sources)
    shutil.copy(folder / f"{port}_bench", folder / "bench")
    shutil.copy(folder / IMAGES[port], folder / "firmware.elf")
    return said


def built_port(
    factory: pytest.TempPathFactory, converter: str = "two_wire", line: str = "uart", port: str = "rp2040"
) -> Path:
    """The folder with firmware and bench for a kind of converter and a line, built once for all processes."""
    # the bench's script names the tree that it lies in
    digest = hashlib.sha256(str(REFERENCE).encode())
    for path in sorted(REFERENCE.rglob("*")):
        inside = path.relative_to(REFERENCE).parts
        if {"build", "node_modules"}.isdisjoint(inside) and (
            path.suffix in BUILT_OF or path.name == "Makefile"
        ):
            digest.update(f"{inside}".encode() + path.read_bytes())
    shared = factory.getbasetemp().parent / f"{port}-{converter}-{line}-{digest.hexdigest()[:16]}"
    shared.mkdir(exist_ok=True)
    with (shared / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (shared / "firmware.elf").exists():
            # the bench's program is the same for all of them; make takes one that is there already
            ready = next(shared.parent.glob(f"*-{shared.name.rsplit('-', 1)[1]}/firmware.elf"), None)
            if ready is not None:
                shutil.copy(ready.with_name("javascript_chip.node"), shared)
            build_port(shared, port, f"CONVERTER={converter}", f"LINE={line}")
    return shared
