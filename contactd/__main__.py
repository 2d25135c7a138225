"""``python -m contactd`` and the program ``contactd``."""

from contactd.wiring import main

if __name__ == "__main__":
    main()
