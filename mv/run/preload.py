"""What every worker needs, made ready once in the process that workers are forked from.

Importing this module is the work: the heavy libraries and the page's compiled template.  What is
there by then is left out of the search for garbage ever after, so that workers go on sharing its
memory.
"""

from __future__ import annotations

import gc


def _make_ready() -> None:
    gc.disable()  # nothing that is imported goes again
    import statsmodels.regression.linear_model  # noqa: F401

    import mv.report.pages
    import mv.report.tables
    import mv.run.checking
    import mv.run.work
    import mv.verify.site  # noqa: F401
    from mv.report.render import environment, glossary_markup

    environment().get_template("site.html")
    glossary_markup()
    gc.collect()
    gc.freeze()
    gc.enable()


_make_ready()
