"""Commands killed, interrupted, out of disk, refused by folders: quick versions of what
docs/benchmarks/faults.py does for longer."""

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from random import Random

import pytest

from scalemodel.data.store import FOLDER
from tests.faults.asking import ask, found, leftovers, make_place, started
from tests.faults.killing import kill

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes as POSIX has them")


@pytest.mark.parametrize("name", ["start", "export, folder", "export, workbook", "fit"])
def test_killed_commands_leave_the_old_or_the_new(tmp_path: Path, name: str) -> None:
    answer = kill(name, 8, Random(1), tmp_path)
    assert answer.wrong == []
    assert answer.old + answer.new + answer.some == 8
