"""`scripts/validate_plan`: fits of two campaigns a choice state what was forecast."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "scripts/validate_plan"


def test_fits_state_the_forecast():
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--campaigns", "2"], capture_output=True, text=True, check=True
    )
    stated = [float(found) for found in re.findall(r"stated over forecast ([\d.]+)", done.stdout)]
    assert stated == pytest.approx([1.0, 1.0, 1.0], abs=0.15)
