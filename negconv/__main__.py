"""``python -m negconv``."""
import sys

from .cli import main

sys.exit(main())
