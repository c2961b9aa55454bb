"""The second generator stands beside these tests, out of the package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
