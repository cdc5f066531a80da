"""Run the program as ``python -m tether``."""

from tether.cli.main import main

if __name__ == "__main__":
    main()
