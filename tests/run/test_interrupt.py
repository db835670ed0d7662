"""Ctrl-C ends a run with a sentence, a code of its own, and nothing written."""

import sys

import pytest

from mv import cli
from mv.run import many


def test_ctrl_c_ends_with_a_sentence(monkeypatch, capsys, tmp_path):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(many, "report_portfolio", interrupted)
    monkeypatch.setattr(sys, "argv", ["mvreport", "report", str(tmp_path)])
    with pytest.raises(SystemExit) as end:
        cli.main()
    assert end.value.code == 130
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "mvreport: stopped. An earlier report is as it was.\n")


def test_the_server_of_workers_ends_without_a_word(tmp_path):
    """A process that imported what the server imports first ends on the signal in silence."""
    import signal
    import subprocess

    code = "import mv.run.server, os, signal; os.kill(os.getpid(), signal.SIGINT)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout, run.stderr) == (128 + signal.SIGINT, "", "")
