"""How many starts of the daemon a history knows of: `starts.py history.db`."""

import sqlite3
import sys

with sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True) as history:
    print(*history.execute("SELECT count(*) FROM run").fetchone())
