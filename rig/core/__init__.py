"""What every part that meets untrusted input needs: files read within bounds, YAML and JSON as plain values.

In: paths and bytes that nobody vouches for. Out: text, plain values and node trees within stated bounds, or
an InputError that names file and line. Must never know: what any of the values mean.
"""

from rig.core.loading import (
    DEEPEST,
    LARGEST_TEXT,
    load_json,
    load_yaml,
    open_file,
    read_bytes,
    read_text,
    yaml_tree,
)

__all__ = [
    "DEEPEST",
    "LARGEST_TEXT",
    "load_json",
    "load_yaml",
    "open_file",
    "read_bytes",
    "read_text",
    "yaml_tree",
]
