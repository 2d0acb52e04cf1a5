"""``python -m legibility`` is the program ``legibility``."""

from legibility.cli import main

if __name__ == "__main__":
    main()
