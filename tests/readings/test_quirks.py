"""Files with one quirk each give the series that is known, or the refusal that helps."""

import numpy as np
import pandas as pd
import pytest

from mv.findings import RULES, ReadingsError
from mv.portfolio.schema import Limits
from mv.readings.read import read_source
from mv.readings.source import from_bytes
from tests.readings import (  # noqa: F401  they register their quirks
    quirks_bills,
    quirks_quantities,
    quirks_shapes,
    quirks_times,
)
from tests.readings.build import meter
from tests.readings.quirks import QUIRKS, Quirk


def read_quirk(quirk: Quirk):
    data = quirk.data.encode() if isinstance(quirk.data, str) else quirk.data
    bills = isinstance(quirk.expected, list)
    row = meter(**({"data": "bills"} if bills else {}) | quirk.meter)
    source = from_bytes(row.file, data)
    return read_source(source, row, quirk.zone, Limits(), quirk.generation_metered)


@pytest.mark.parametrize("name", sorted(QUIRKS))
def test_quirk(name):
    quirk = QUIRKS[name]()
    if quirk.refused is not None:
        with pytest.raises(ReadingsError) as error:
            read_quirk(quirk)
        finding = error.value.findings[0]
        assert finding.rule == quirk.refused[0]
        assert quirk.refused[1] in finding.message
        assert RULES[finding.rule].action == "refuse"
        return
    got = read_quirk(quirk)
    assert sorted(f.rule for f in got.findings) == sorted(quirk.findings), [
        str(f) for f in got.findings
    ]
    rows = got.input
    assert rows["rows_read"] == rows["rows_used"] + sum(rows["excluded"].values())
    told = {f.rule for f in got.findings}
    assert set(rows["excluded"]) <= told
    if isinstance(quirk.expected, list):
        assert list(got.table["start"].dt.strftime("%Y-%m-%d")) == [b[0] for b in quirk.expected]
        assert list(got.table["end"].dt.strftime("%Y-%m-%d")) == [b[1] for b in quirk.expected]
        assert got.table["energy"].tolist() == pytest.approx(
            [b[2] for b in quirk.expected], rel=1e-12
        )
        return
    expected = quirk.expected
    assert list(got.table.index) == list(pd.DatetimeIndex(expected.index).tz_convert("UTC"))
    np.testing.assert_allclose(
        got.table["energy"].to_numpy(), expected.to_numpy(dtype=float), rtol=1e-9, atol=1e-9
    )
    absent = got.table["flag"].isin(["missing", "excluded"]).to_numpy()
    assert (absent == expected.isna().to_numpy()).all()


def test_there_are_many():
    assert len(QUIRKS) >= 60
