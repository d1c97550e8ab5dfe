"""python -m builder: the same as the console command `cards`."""

from .cli import main

if __name__ == "__main__":
    main(prog_name="cards")
