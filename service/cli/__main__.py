"""``python -m service.cli`` is the command ``evenlode``."""

from service.cli import main

main()
