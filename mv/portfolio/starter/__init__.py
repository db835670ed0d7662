"""Writes a starter folder: a small valid portfolio whose files explain themselves.

Rows of the invented example lie in `example/`, their readings are made by `readings.py`; the
remarks above each table and beside each setting come from the schema, so that they always agree
with what is read.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from textwrap import wrap

from mv.findings import Finding, FolderError
from mv.portfolio.cells import forms
from mv.portfolio.folder import SETTINGS, TABLES
from mv.portfolio.reference import default_words, holds, reference
from mv.portfolio.schema import Described, Settings
from mv.portfolio.settings import SECTIONS
from mv.portfolio.starter.readings import readings
from mv.portfolio.tables import read_table

WIDTH = 98
"""Characters of a line of remarks."""

_EXAMPLE = Path(__file__).parent / "example"

_GIVEN = {"name": '"Example portfolio"', "currency": '"EUR"', "confidence": "0.9"}
_GIVEN_FINANCE = {"discount_rate": "0.05"}

_README = """\
# Your portfolio

This folder is a small example that is valid as it stands. Look at it once:

    mvreport check {folder}
    mvreport report {folder}

Then put your own rows and files in place of the example's, table by table, and check again. A check
names everything that is wrong at once, with file, line and column. What every column and setting
means stands above its table, and below.

Figures of the example are invented. Whoever changes lighting or wiring keeps to local codes and
leaves the work to licensed persons; nothing here directs such work.

"""


def write_starter(folder: Path) -> list[Path]:
    """Write the starter folder.

    Parameters
    ----------
    folder : a path where nothing is yet, or an empty folder.

    Returns the files written.  Raises FolderError where the folder holds anything already or
    can't be written.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        words = f"{folder} holds something already; name a new or an empty folder"
        raise FolderError(Finding("folder_not_empty", words))
    written = []
    try:
        for name, text in starter_files(folder.resolve().name).items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
            written.append(path)
    except OSError as error:
        words = f"{folder} can't be written: {error.strerror or type(error).__name__}"
        raise FolderError(Finding("folder_unwritable", words)) from error
    return written


def starter_files(folder: str) -> dict[str, str]:
    """Text of every file of the starter folder by name; `folder` is what README.md calls it."""
    files = {"README.md": _README.format(folder=folder) + reference(), SETTINGS: _settings()}
    files |= {form.file: _table(name) for name, form in TABLES.items()}
    files["rates.toml"] = (_EXAMPLE / "rates.toml").read_text(encoding="utf-8")
    return files | readings()


def _table(name: str) -> str:
    """A table with all its columns: remarks, header, and the rows of the example."""
    form = TABLES[name]
    fields = forms(form.model)
    text = io.StringIO()
    for line in _remarks(" ".join(form.model.__doc__.split("\n\n")[0].split())):
        text.write(line)
    for field in fields.values():
        default = default_words(field)
        notes = [
            holds(form.model, field),
            default and (default if field.required else f"{default} when empty"),
        ]
        words = f"{field.name} ({'; '.join(n for n in notes if n)}): {field.description}"
        for line in _remarks(words):
            text.write(line)
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(fields)
    path = _EXAMPLE / form.file
    if path.exists():  # a table that the example does without has its header alone
        example = read_table(path.read_bytes(), form.file, frozenset(fields))
        for row in example.rows:
            cells = dict(zip(example.columns, row.cells, strict=True))
            writer.writerow([cells.get(column, "") for column in fields])
    return text.getvalue()


def _settings() -> str:
    """portfolio.toml with every setting: given, or as a remark with its default."""
    lines = [
        *_remarks(
            "Settings of the portfolio. A setting that opens with # keeps its default; take "
            "the # away to change it."
        ),
        "\n",
        *_entries(Settings, _GIVEN),
    ]
    for section, model in SECTIONS.items():
        doc = " ".join(model.__doc__.split("\n\n")[0].split())
        given = _GIVEN_FINANCE if section == "finance" else {}
        lines += ["\n", *_remarks(doc), f"[{section}]\n", *_entries(model, given)]
    lines += [
        "\n",
        *_remarks(
            "One avoided-emission factor for each carrier; none is built in. Write where "
            "the factor comes from."
        ),
        "# [[emissions]]\n",
        '# carrier = "electricity"\n',
        "# factor = 0.2\n",
        '# unit = "kWh"\n',
        '# source = "name and year of the publication"\n',
    ]
    return "".join(lines)


def _entries(model: type[Described], given: dict[str, str]) -> list[str]:
    lines = []
    for field in forms(model).values():
        if field.kind == "other":
            continue  # a table of its own, below
        lines += _remarks(f"{field.description} Takes {holds(model, field)}.")
        if field.name in given:
            lines.append(f"{field.name} = {given[field.name]}\n")
        else:
            default = default_words(field)
            quoted = f'"{default}"' if field.kind in ("text", "choice") else default
            lines.append(f"# {field.name} = {quoted}\n")
    return lines


def _remarks(text: str) -> list[str]:
    return [f"# {line}\n" for line in wrap(text, WIDTH)]
