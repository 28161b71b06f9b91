"""World tests share the list of planted bugs."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
