import io
import json
import subprocess
import sys

import pytest
from rich.console import Console

from flows.cli.verify import tabulate_findings
from pipeline.verify.findings import Finding


def test_the_table_names_what_is_out_of_tolerance() -> None:
    good = Finding("volume_um3", "scikit-image 9.9", 12, 0.0, 1e-9, "relative")
    bad = Finding("grey_sd", "SciPy 9.9", 12, 0.5, 1e-6, "grey levels")
    out = io.StringIO()
    Console(file=out, width=120).print(tabulate_findings([good, bad]))
    lines = {line.split()[0]: line for line in out.getvalue().splitlines() if line.strip()}
    assert lines["volume_um3"].rstrip().endswith("ok")
    assert lines["grey_sd"].rstrip().endswith("OUT")
    assert "scikit-image 9.9" in lines["volume_um3"]


@pytest.mark.slow
def test_this_installation_is_verified() -> None:
    command = [sys.executable, "-m", "flows.cli", "verify", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    facts = json.loads(done.stdout)
    assert facts["passed"]
    assert len(facts["findings"]) > 40
    assert "within tolerance" in done.stderr
