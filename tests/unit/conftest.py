"""Lets unit tests import the small invented sites and fakes of this folder."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
