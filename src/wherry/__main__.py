"""``python -m wherry``."""

from wherry.cli.main import main

main()
