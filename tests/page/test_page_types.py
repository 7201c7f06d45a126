"""The pages' scripts use what the server answers and what the HTML holds: their types are checked."""

import json
import shutil
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import pytest

import rig
from rig.capture import open_capture

if shutil.which("tsc") is None:
    pytest.skip("needs the type checker tsc (npm install typescript)", allow_module_level=True)

from page_serving import description
from page_types import api_types, element_types

from rig.workbench import workbench_routers

RIG = Path(rig.__file__).parent
LIVE, BENCH = RIG / "daemon/page/static", RIG / "workbench/static"
EXAMPLE = Path(__file__).resolve().parents[2] / "captures" / "example-F-90-001"

PLANTED = """
import { at } from "/static/elements.js";
import { ask, order } from "/static/orders.js";
import { shown } from "/static/workbench/frame.js";
// @ts-expect-error: no page has such an element
at("force-of-habit");
// @ts-expect-error: a button has no list of options
at("halt").options;
const status = await ask("status");
// @ts-expect-error: misspelt
status.forse_n;
// @ts-expect-error: the force may be missing
status.force_n.toFixed(1);
// @ts-expect-error: an order names its rig
order("start", { order: { kind: "recording", card: { specimen: "F-90-014" } } });
// @ts-expect-error: digits come from a number
shown("12", "N");
"""
"""Errors that the check must find: it complains wherever one passes."""

OPTIONS = {
    "checkJs": True,
    "allowJs": True,
    "noEmit": True,
    "strict": True,
    "target": "es2022",
    "module": "esnext",
    "moduleResolution": "bundler",
    "lib": ["es2023", "dom", "dom.iterable"],
    "types": [],
    "skipDefaultLibCheck": True,
    "paths": {"/static/workbench/*": [f"{BENCH}/*"], "/static/*": [f"{LIVE}/*"]},
}


def test_the_scripts_use_what_the_server_and_the_pages_have(tmp_path) -> None:
    routers = workbench_routers(tmp_path, tmp_path)
    (tmp_path / "api.d.ts").write_text(api_types(description(others=routers)), encoding="utf-8")
    pages = [*LIVE.glob("*.html"), *BENCH.glob("*.html")]
    (tmp_path / "elements.d.ts").write_text(element_types(pages), encoding="utf-8")
    (tmp_path / "planted.js").write_text(PLANTED, encoding="utf-8")
    # the two answers that the server does not describe field by field, as they really are
    words = [sys.executable, "-c", "from rig.cli import main; main()", "analyse", "--json", EXAMPLE]
    said = subprocess.run(words, capture_output=True, check=True).stdout
    analysed = json.loads(said)["captures"][0]
    header = json.dumps(asdict(open_capture(EXAMPLE).header), default=str)
    (tmp_path / "answers.ts").write_text(
        f"const analysed = {json.dumps(analysed)};\nconst capture: CaptureResult = analysed;\n"
        f'const found = {header};\nconst header: About["header"] = found;\n',
        encoding="utf-8",
    )
    folders = [tmp_path, RIG / "daemon/page", LIVE, BENCH]
    project = {"compilerOptions": OPTIONS, "include": [f"{folder}/*" for folder in folders]}
    (tmp_path / "tsconfig.json").write_text(json.dumps(project), encoding="utf-8")
    checked = subprocess.run(["tsc", "-p", tmp_path], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout
