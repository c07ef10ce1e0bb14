"""Make truth.npz again: ``python -m tests.published.independent``."""

from tests.published.independent import TRUTH, simulate

if __name__ == "__main__":
    simulate(str(TRUTH))
