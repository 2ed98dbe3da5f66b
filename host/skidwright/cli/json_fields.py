"""Fields of the --json answers: json_fields.toml as JSON Schemas and as the page docs/json.md."""

import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from skidwright.cli.output import JSON_VERSION

_TEXT = """\
Every answer of a command that was given `--json` is one JSON object; `watch` gives one object a line.
`format` is the command's name and `version` a whole number, {version} now. The version rises when a field
goes or changes its meaning; a new field alone does not raise it, so skip fields you do not know.

Numbers are numbers; their unit stands here and mostly in the field's own name. null means not known, or that
there is none. Times are ISO 8601 in UTC. *Optional* fields are left out of answers to which they do not
belong. *any* is a document or table with a format of its own. A list is written `[]`, a table by names that
depend on the case `{{}}`.
"""
_PLAIN: dict[str, dict[str, Any]] = {
    "text": {"type": "string"},
    "whole": {"type": "integer"},
    "number": {"type": "number"},
    "truth": {"type": "boolean"},
    "time": {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$"},
    "day": {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"},
    "any": {},
}


class Field(NamedTuple):
    """A field of an answer: `kind` is its type as json_fields.toml writes it."""

    name: str
    optional: bool
    kind: str
    unit: str
    meaning: str


def _tables() -> dict[str, Any]:
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))


def answers() -> tuple[str, ...]:
    """Format names of all answers."""
    return tuple(_tables()["answer"])


def schema(name: str) -> dict[str, Any]:
    """The JSON Schema (2020-12) of the answer `name`; no field beyond it is allowed. KeyError for none."""
    tables = _tables()
    made = _object(_fields(tables, tables["answer"][name]))
    made["properties"] |= {"format": {"const": name}, "version": {"const": JSON_VERSION}}
    made["required"] += ["format", "version"]
    parts = {part: _object(_fields(tables, rows)) for part, rows in tables["part"].items()}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made, "$defs": parts}


def page() -> str:
    """The text of docs/json.md."""
    tables = _tables()
    out = ["# JSON answers\n", _TEXT.format(version=JSON_VERSION)]
    for name, rows in tables["answer"].items():
        out += [f"## {name}\n", _table(_fields(tables, rows, inherited=False), rows)]
    out.append("## Parts\n\nThey stand in several answers, or in a list.\n")
    for name, rows in tables["part"].items():
        out += [f"### {name}\n", _table(_fields(tables, rows, inherited=False), rows)]
    return "\n".join(out)


def _fields(tables: dict[str, Any], rows: dict[str, Any], inherited: bool = True) -> list[Field]:
    found: list[Field] = []
    for name, row in rows.items():
        if name == "+":
            for part in row if inherited else ():
                found += _fields(tables, tables["part"][part])
            continue
        kind, unit, meaning = (cell.strip() for cell in row.split("|", 2))
        found.append(Field(name.removesuffix("?"), name.endswith("?"), kind, unit, meaning))
    return found


def _object(fields: list[Field]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {field.name: _type(field.kind) for field in fields},
        "required": [field.name for field in fields if not field.optional],
        "additionalProperties": False,
    }


def _type(kind: str) -> dict[str, Any]:
    if kind.endswith("[]"):
        return {"type": "array", "items": _type(kind[:-2])}
    if kind.endswith("{}"):
        return {"type": "object", "additionalProperties": _type(kind[:-2])}
    if kind.endswith("?"):
        return {"anyOf": [{"type": "null"}, _type(kind[:-1])]}
    return _PLAIN.get(kind) or ({} if kind == "any" else {"$ref": f"#/$defs/{kind}"})


def _table(fields: list[Field], rows: dict[str, Any]) -> str:
    lines = [f"The fields of [{part}](#{part}), and:\n" for part in rows.get("+", ())]
    if not fields:
        return lines[0].replace(", and:", ".")
    lines += ["| field | type | unit | meaning |", "|---|---|---|---|"]
    for field in fields:
        bare = field.kind.rstrip("[]{}?")
        kind = field.kind if bare in _PLAIN else f"[{bare}](#{bare}){field.kind[len(bare) :]}"
        kind = kind.replace("?", " or null") + (", optional" if field.optional else "")
        lines.append(f"| `{field.name}` | {kind} | {field.unit} | {field.meaning} |")
    return "\n".join(lines) + "\n"
