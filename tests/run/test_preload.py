"""What a worker is forked from holds all that a site needs."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
SCRIPT = """
import sys
import mv.run.preload
from mv.portfolio.folder import open_portfolio
from mv.report.render import environment, render_site, SiteContext
from mv.run.work import first_pass, second_pass
from mv.savings.drift import load_prior
from mv.verify.context import Context

portfolio = open_portfolio(sys.argv[1])
context = Context(prior=load_prior(portfolio.settings))
modules, templates = set(sys.modules), len(environment().cache)
for name in portfolio.sites:
    draft = first_pass(portfolio.describe(name), None).draft
    second_pass(b"", draft, context, None, SiteContext(), None)
print([m for m in set(sys.modules) - modules if m != "pyarrow" and "pyarrow." not in m])
print(len(environment().cache) - templates)
"""


def test_a_worker_imports_and_compiles_nothing_more():
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(ROOT / "sample_meter_data")],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines() == ["[]", "0"]
