"""The terminal. ``main`` is the ``recorder`` command; each command lives in a module of its own."""

TYPE_CHECKING = False  # typing's own would be the slowest part of `recorder --help`
if TYPE_CHECKING:
    from recorder.cli._group import COMMANDS, main

__all__ = ["COMMANDS", "main", "run"]


def __getattr__(name: str) -> object:
    if name in ("COMMANDS", "main"):
        from recorder.cli import _group

        return getattr(_group, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def run() -> None:
    """What the ``recorder`` script calls: plain help is said at once, all else goes to ``main``."""
    import os
    import sys

    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # the matrices are small: more threads take twice as long for them
    if sys.argv[1:] in (["--help"], ["-h"]):
        import shutil

        from recorder.cli._help import HELP

        if shutil.get_terminal_size().columns >= 80 and sys.stdout is not None:
            try:
                sys.stdout.write(HELP)
                sys.stdout.flush()
                return
            except OSError:  # ``main`` says why, as of any other output
                pass
    try:
        from recorder.cli._group import main
    except KeyboardInterrupt:  # from here on ``main`` hears it
        sys.exit(2)
    main(prog_name="recorder")
