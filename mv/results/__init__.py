"""What a verification found: plain frozen results of numbers with units, no figure, no markup.

`SiteResult` and `PortfolioResult` are what pages, tables and `results.json` are made of; pages
are a pure function of them.
"""

from mv.quantity import Bridge, BridgeStep, Months
from mv.results.parts import (
    Acceptance,
    Annual,
    Candidate,
    Coefficient,
    Demand,
    EventEntry,
    InputFile,
    Model,
    Money,
    OperatingDays,
    Periods,
    Series,
    Uncertainty,
    UncertaintyPart,
)
from mv.results.saved import (
    SCHEMA_VERSION,
    from_json,
    from_mapping,
    now,
    read_json,
    series_json,
    site_json,
    to_json,
    write_json,
)
from mv.results.whole import (
    VERDICTS,
    CarrierResult,
    CarrierTotal,
    PortfolioResult,
    SiteResult,
    Verdict,
)

__all__ = [
    "SCHEMA_VERSION",
    "VERDICTS",
    "Acceptance",
    "Annual",
    "Bridge",
    "BridgeStep",
    "Candidate",
    "CarrierResult",
    "CarrierTotal",
    "Coefficient",
    "Demand",
    "EventEntry",
    "InputFile",
    "Model",
    "Money",
    "Months",
    "OperatingDays",
    "Periods",
    "PortfolioResult",
    "Series",
    "SiteResult",
    "Uncertainty",
    "UncertaintyPart",
    "Verdict",
    "from_json",
    "from_mapping",
    "now",
    "read_json",
    "series_json",
    "site_json",
    "to_json",
    "write_json",
]
