"""Types of what the pages' scripts work with, as TypeScript declares them: what the server answers, and the
elements that the pages hold.

They are made from the OpenAPI document and from the HTML itself, so they cannot fall behind either.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

PLAIN = {name: name for name in ("string", "number", "boolean", "null")} | {"integer": "number"}

ELEMENTS = {
    "a": "HTMLAnchorElement",
    "button": "HTMLButtonElement",
    "details": "HTMLDetailsElement",
    "fieldset": "HTMLFieldSetElement",
    "form": "HTMLFormElement",
    "iframe": "HTMLIFrameElement",
    "input": "HTMLInputElement",
    "progress": "HTMLProgressElement",
    "select": "HTMLSelectElement",
    "table": "HTMLTableElement",
    "tbody": "HTMLTableSectionElement",
    "textarea": "HTMLTextAreaElement",
    "tr": "HTMLTableRowElement",
}
"""Of the tags whose elements have more than every element has."""


def type_of(schema: dict[str, Any], given: bool = False) -> str:  # noqa: PLR0911  one for each kind
    """Return the TypeScript type of a JSON schema.

    `given`: of what is given to the server. Fields with a default may be missing there, and a number may be
    written as it was typed, with its unit.
    """
    if "$ref" in schema:
        return schema["$ref"].rsplit("/")[-1]
    if values := schema.get("enum") or ([schema["const"]] if "const" in schema else []):
        return " | ".join(json.dumps(value) for value in values)
    if choices := schema.get("anyOf") or schema.get("oneOf"):
        return " | ".join(type_of(choice, given) for choice in choices)
    if schema.get("type") == "array":
        items = [type_of(item, given) for item in schema.get("prefixItems", [])]
        return f"[{', '.join(items)}]" if items else f"({type_of(schema.get('items', {}), given)})[]"
    if "properties" in schema:
        needed = schema.get("required", [])
        fields = [
            f"{name}{'?' if given and name not in needed else ''}: {type_of(field, given)}"
            for name, field in schema["properties"].items()
        ]
        return f"{{ {'; '.join(fields)} }}"
    if schema.get("type") == "object":
        values = schema.get("additionalProperties", {})
        return f"{{ [name: string]: {type_of(values if isinstance(values, dict) else {}, given)} }}"
    plain = PLAIN.get(schema.get("type", ""), "unknown")
    return "number | string" if given and plain == "number" else plain


def api_types(document: dict[str, Any]) -> str:
    """Return the namespace Api: each value by its name, and the answers of GET and POST by their path."""
    schemas = document["components"]["schemas"]
    answers, orders, bodies = [], [], []
    for path, methods in document["paths"].items():
        name = path.removeprefix("/api/")
        for method, about in methods.items():
            gives = type_of(about["responses"]["200"]["content"]["application/json"]["schema"])
            if method == "get":
                answers.append(f'  "{name}": {gives};')
                continue
            body = about.get("requestBody")
            takes = type_of(body["content"]["application/json"]["schema"]) if body else "{}"
            orders.append(f'  "{name}": {{ takes: {takes}; gives: {gives} }};')
            bodies.append(body)
    # what is given to the server, and all that such a value holds
    inputs, found = set(), set(re.findall(r"schemas/(\w+)", str(bodies)))
    while found:
        inputs |= found
        found = set(re.findall(r"schemas/(\w+)", str([schemas[name] for name in found]))) - inputs
    lines = [f"type {name} = {type_of(schema, name in inputs)};" for name, schema in schemas.items()]
    lines += ["interface Answers {", *answers, "}", "interface Orders {", *orders, "}"]
    return "\n".join(["declare namespace Api {", *lines, "}"])


class _Ids(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, set[str]] = defaultdict(set)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        name = dict(attrs).get("id")
        if name:
            self.found[name].add(ELEMENTS.get(tag, "HTMLElement"))


def element_types(pages: list[Path]) -> str:
    """Return the interface Elements: each id in the pages, with the type of its element."""
    ids = _Ids()
    for page in pages:
        ids.feed(page.read_text(encoding="utf-8"))
    lines = [f'  "{name}": {" & ".join(sorted(types))};' for name, types in sorted(ids.found.items())]
    return "\n".join(["interface Elements {", *lines, "}"])
