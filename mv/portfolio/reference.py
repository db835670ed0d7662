"""The manual of the portfolio folder, made from the schema: every table, column and setting.

What a column means stands once, as the string under its field in `schema.py`; this module lays
those strings out as Markdown, so that the manual can't fall behind.  It is written anew by
`python -m mv.portfolio.reference > sample_meter_data/PORTFOLIO_FOLDER.md`.
"""

from __future__ import annotations

import re
from typing import Any

from mv.portfolio.cells import FIRST_DAY, LAST_DAY, PATTERNS, FieldForm, forms
from mv.portfolio.folder import TABLES
from mv.portfolio.schema import KEY, Described, Emissions, Settings
from mv.portfolio.settings import SECTIONS

_INTRODUCTION = f"""\
# The portfolio folder

A folder holds one portfolio: `portfolio.toml` with its settings, the tables below as CSV files or
as the sheets of one `portfolio.xlsx` with the same names and columns, `rates.toml` with what energy
costs, and the files of readings and temperatures that the tables name.

How tables are read:

- The first row names the columns; their order is free. Lines above it that open with `#` are
  remarks. Blank rows are skipped. A column that is not listed here is reported and not used.
- Cells are separated by commas, semicolons or tabs. Text that holds the separator stands in
  double quotes. UTF-8 is best; UTF-16 and Windows-1252 are understood.
- An empty cell takes the default. Cells are never evaluated: what looks like a formula is text.
- Dates are year-month-day (`2024-03-25`), from {FIRST_DAY.year} to {LAST_DAY.year};
  `25/03/2024` and `25.03.2024` are understood, `03/04/2024` can be read in two ways and is refused.
- Numbers have a decimal point, or a decimal comma where that is plain; `1,234` can be read in two
  ways and is refused.
- Keys hold letters, digits, `-` and `_`, at most 80. Keys of meters are any text: leading zeros
  count.
- Paths are relative to the folder, with `/` between the parts, and may not lead out of it.
"""

_RATES = """\
## rates.toml

What energy costs; optional. Each top-level table is one rate, and its name is the key that the
column `rate` of meters.csv refers to. A single price is enough:

```toml
[main]
name = "standard supply"
source = "contract of 2024, page 3"
price = 0.19
```
"""


def reference() -> str:
    """The whole manual of the folder as Markdown."""
    parts = [_INTRODUCTION, _settings()]
    parts += [_table(name) for name in TABLES]
    parts.append(_RATES)
    return "\n".join(parts)


def holds(model: type[Described], form: FieldForm) -> str:
    """What a field takes, in words: `a number above 0`, `one of m2, ft2`."""
    match form.kind:
        case "choice":
            return "one of " + ", ".join(form.choices)
        case "number":
            return "a number" + _range(model, form.name)
        case "date":
            return "a date"
        case "truth":
            return "true or false"
        case "list":
            return "words separated by ;"
        case "other":
            return "a table"
    pattern = next(
        (m.pattern for m in model.model_fields[form.name].metadata if hasattr(m, "pattern")), None
    )
    if pattern == KEY:
        return "a key"
    return PATTERNS[pattern] if pattern else "text"


def default_words(form: FieldForm) -> str:
    """A field's default as a table prints it: `required`, empty, or the value."""
    if form.required:
        return "required"
    if form.default in (None, "", ()) or isinstance(form.default, Described):
        return ""
    if isinstance(form.default, bool):
        return str(form.default).lower()
    return form.default if isinstance(form.default, str) else f"{form.default:g}"


def _range(model: type[Described], name: str) -> str:
    words = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
    limits = []
    for sign, word in words.items():
        for entry in model.model_fields[name].metadata:
            if (limit := getattr(entry, sign, None)) is not None:
                limits.append(f"{word} {limit:g}")
    text = " " + " and ".join(limits) if limits else ""
    return re.sub(r" and to ", " to ", text)


def _settings() -> str:
    lines = ["## portfolio.toml", "", "Settings of the portfolio.", ""]
    lines += _rows("setting", Settings)
    for section, model in SECTIONS.items():
        lines += ["", f"### [{section}]", "", _first_paragraph(model), ""]
        lines += _rows("setting", model)
    lines += ["", "### [[emissions]]", "", _first_paragraph(Emissions), ""]
    lines += _rows("setting", Emissions)
    return "\n".join([*lines, ""])


def _table(name: str) -> str:
    form = TABLES[name]
    text = _first_paragraph(form.model)
    rest = text.split(": ", 1)[1]
    need = "Required." if form.required else "Optional."
    lines = [f"## {form.file}", "", f"{rest[:1].upper()}{rest[1:]} {need}", ""]
    return "\n".join([*lines, *_rows("column", form.model), ""])


def _rows(first: str, model: type[Described]) -> list[str]:
    lines = [f"| {first} | holds | default | meaning |", "|---|---|---|---|"]
    for form in forms(model).values():
        cells: list[Any] = [
            f"`{form.name}`",
            holds(model, form),
            default_words(form),
            form.description,
        ]
        lines.append("| " + " | ".join(str(c).replace("|", "\\|") for c in cells) + " |")
    return lines


def _first_paragraph(model: type[Described]) -> str:
    return " ".join((model.__doc__ or "").split("\n\n")[0].split())


if __name__ == "__main__":
    print(reference(), end="")
