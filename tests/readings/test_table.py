"""Text that is cut at its separators gives the cells that a parser finds in it."""

import numpy as np
import pytest

from mv.readings.table import _cut, _parsed, find_layout, read_delimited


def both(text: str):
    data = text.encode()
    layout = find_layout("m.csv", data)
    return _cut(data, layout), _parsed("m.csv", data, layout)[0]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("width", [2, 3, 25])
def test_cells_are_those_of_the_parser(separator, width):
    random = np.random.default_rng(width)
    cells = ["", " ", "12", "-3.5", "1e3", "né", "24:00", "n/a", "x" * 300, "a b"]
    rows = [
        [f"2023-01-{day:02d}", f"{day}.25", *random.choice(cells, width - 2)]
        for day in range(1, 29)
    ]
    header = ["time", "kWh", *(f"c{i}" for i in range(width - 2))]
    text = "".join(f"{separator.join(row)}\n" for row in [header, *rows])
    cut, parsed = both(text)
    assert [c.to_pylist() for c in cut] == [c.to_pylist() for c in parsed]
    assert [c.type for c in cut] == [c.type for c in parsed]


HEAD = "time,kWh\n2023-01-01,1\n2023-01-02,2\n"


@pytest.mark.parametrize(
    "rest",
    ['2023-01-03,"3"\n', "2023-01-03\n", "2023-01-03,3,4\n", "\n2023-01-03,3\n", "a\rb,3\n"],
    ids=["quoted", "cell missing", "cell too many", "blank line", "lone return"],
)
def test_any_other_text_is_left_to_the_parser(rest):
    assert both(HEAD + rest)[0] is None


def test_cells_that_shift_from_line_to_line_are_left_to_the_parser():
    """As many separators and newlines as the table has cells, but not in their places."""
    assert both(HEAD + "2023-01-03,3,4\n2023-01-04\n")[0] is None


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "end"])
def test_lines_may_end_in_either_way(end, last):
    lines = ["time,kWh", "2023-01-01,1", "2023-01-02,2"]
    table = read_delimited("m.csv", (end.join(lines) + (end if last else "")).encode())
    assert [c.to_pylist() for c in table.columns] == [["2023-01-01", "2023-01-02"], ["1", "2"]]
    assert table.lines.tolist() == [2, 3]
