"""What every worker needs, made ready once in the process that workers are forked from.

Importing this module is the work: the heavy libraries, all that the registries find, a site
page's compiled templates.  What is there by then is left out of the search for garbage ever after,
so that workers go on sharing its memory.
"""

# ruff: noqa: F401

from __future__ import annotations

import gc


def _make_ready() -> None:
    gc.disable()  # nothing that is imported goes again
    import holidays.countries
    import numpy_financial
    import statsmodels.regression.linear_model

    import mv.plan.attach
    import mv.report.pages
    import mv.report.redact
    import mv.report.tables
    import mv.run.checking
    import mv.run.work
    import mv.verify.packed
    import mv.verify.site
    from mv.baseline.family import FAMILIES
    from mv.money.component import COMPONENTS
    from mv.readings.formats import READERS
    from mv.report.charts.base import CHARTS
    from mv.report.render import SITE_TEMPLATES, environment, glossary_markup
    from mv.results import Money, Uncertainty
    from mv.results.saved import adapter
    from mv.run.digests import method_digest

    for found in (READERS, FAMILIES, COMPONENTS, CHARTS):
        found.names()
    for template in SITE_TEMPLATES:
        environment().get_template(template)
    glossary_markup()
    for kind in (Money, Uncertainty):
        adapter(kind)
    method_digest()
    gc.freeze()
    gc.enable()


_make_ready()
