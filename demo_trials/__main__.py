"""``python3 -m demo_trials``: set up from a bare clone and run the main job on the demo trials."""

import sys

from drift.first_run import run

if __name__ == "__main__":
    sys.exit(run(["-m", "drift", "run", "demo_trials", *sys.argv[1:]]))
