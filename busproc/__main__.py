"""`python -m busproc` is the command `busproc`."""

from busproc.cli import main

main(prog_name="busproc")
