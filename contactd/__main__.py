"""``python -m contactd`` and the program ``contactd``."""

import os

# Arrays here are long and three wide: shared out among threads, they only wait for each other.
# numpy reads this when it is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from contactd.wiring import main

if __name__ == "__main__":
    main()
