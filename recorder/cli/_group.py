"""The command group: loads a command only when it is asked for, and turns every error into one line."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from importlib import import_module
from typing import Any, TextIO

import click

from recorder import __version__
from recorder.cli._plain import prepare
from recorder.cli._unheld import say_unheld
from recorder.errors import RecorderError, fault_of, printable

__all__ = ["COMMANDS", "main"]

# name -> (module, one line of help): `recorder --help` is answered from here, so it imports nothing heavy.
COMMANDS: dict[str, tuple[str, str]] = {
    "try": ("recorder.cli.try_", "The whole job with no hardware, on the simulated tester."),
    "record": ("recorder.cli.record", "Record and judge one test from an adapter."),
    "judge": ("recorder.cli.judge", "Judge recordings again from their traces."),
    "picture": ("recorder.cli.picture", "Draw a recording as an annotated picture."),
    "sheet": ("recorder.cli.sheet", "Make the customer's sheet of a recording."),
    "audit": ("recorder.cli.audit", "Check every recording below a folder."),
    "jobs": ("recorder.cli.jobs", "One table of all jobs in a folder."),
    "export": ("recorder.cli.export", "Write recordings in another format."),
    "adapter": ("recorder.cli.adapter", "Is this adapter fit to use?"),
    "conform": ("recorder.cli.conform", "Does an adapter speak the wire format?"),
    "calibrate": ("recorder.cli.calibrate", "Make a calibration from reference pressures."),
}


_READER_GONE = 141  # 128 + SIGPIPE, as of any program whose reader goes away: neither "yes" (0) nor "no" (1)
_OUTPUT = {errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)}


_NARROW, _NARROWEST = 52, 20  # columns
_TERMS = 10  # columns that an option has beside its help, where there are few


_TYPES = {"integer range": "whole number", "float range": "number"}  # click's names, and what people call it

_KEPT = "\u2011"  # a hyphen at which no line is broken, while lines are made


class _Formatter(click.HelpFormatter):
    """In a narrow terminal the help of an option stands below it rather than squeezed beside it. A name is never broken
    at a hyphen: it is there to be copied."""

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        kept = [(term, text.replace("-", _KEPT)) for term, text in rows]
        super().write_dl(kept, _TERMS if self.width <= _NARROW - 2 else col_max, col_spacing)

    def write_text(self, text: str) -> None:
        super().write_text(text.replace("-", _KEPT))

    def write(self, string: str) -> None:
        super().write(string.replace(_KEPT, "-"))


class _Context(click.Context):
    formatter_class = _Formatter


class _ReaderGoneError(Exception):
    """What wrote into a pipe that nobody reads any more. click itself would end with exit 1, which is an answer."""


class _InterruptedError(click.Abort):
    """Ctrl-C. click itself would say an empty line first, and wait for whoever reads it."""


class LazyGroup(click.Group):
    """Commands come from COMMANDS; errors are one line on standard error, exit 2."""

    context_class = _Context

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _ = COMMANDS[cmd_name]
        try:
            command = import_module(module).command
        except (ImportError, AttributeError, SyntaxError) as err:
            raise RecorderError(
                f"this command cannot be loaded ({err})",
                where=f"recorder {cmd_name}",
                do="install the package again",
            ) from None
        if not isinstance(command, click.Command):
            raise RecorderError("this command cannot be loaded", where=f"recorder {cmd_name}",
                                do="install the package again")
        command.context_class = _Context
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def make_context(self, info_name: str | None, args: list[str], parent: click.Context | None = None,
                     **extra: Any) -> click.Context:
        try:
            return super().make_context(info_name, args, parent, **extra)
        except BrokenPipeError:  # of --help and --version, which are said here
            raise _ReaderGoneError from None

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise _ReaderGoneError from None
        except KeyboardInterrupt:
            raise _InterruptedError from None

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        for stream in (sys.stdout, sys.stderr):
            prepare(stream)
        columns = shutil.get_terminal_size().columns
        if columns < _NARROW:  # of itself click goes down to 50
            extra.setdefault("terminal_width", max(columns - 2, _NARROWEST))
        try:
            result = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except Exception as err:
            result = _told(err, sys.argv[1:] if args is None else args)
        except KeyboardInterrupt as err:
            result = _told(err, ())
        code = result if isinstance(result, int) else 0
        try:
            if sys.stderr is not None:
                sys.stderr.flush()
        except (OSError, ValueError, KeyboardInterrupt):  # what nobody could be told is no exit status
            _forget(sys.stderr)
        if standalone_mode:
            sys.exit(code)
        return code


def _told(err: BaseException, args: Sequence[str]) -> int:
    """Says in one line what ended the program; the exit status. args: what was typed. What is a fault of the program
    itself is raised where that is asked for."""
    if isinstance(err, RecorderError):
        _say(str(err))
    elif isinstance(err, click.UsageError):
        _say_usage(err, args)
    elif isinstance(err, click.ClickException):
        _say(f"recorder: {err.format_message()}")
    elif isinstance(err, click.Abort | KeyboardInterrupt):
        _forget(sys.stdout)  # what it has not taken is waited for no more
        if not say_unheld("\nstopped" if isinstance(err, _InterruptedError) else "stopped"):
            _forget(sys.stderr)
    elif isinstance(err, _ReaderGoneError):
        _forget(sys.stdout)  # nothing is left to say to it
        return _READER_GONE
    elif isinstance(err, MemoryError):
        _say("recorder: there is not enough memory for this; give it smaller files, or fewer at a time")
    elif os.environ.get("RECORDER_DEBUG"):
        raise err
    elif isinstance(err, OSError) and err.errno in _OUTPUT:
        # Recordings and pictures have errors of their own, so this is what is printed.
        _forget(sys.stdout)
        _say(f"recorder: the output cannot be written ({err.strerror}); make room, or send it elsewhere")
    elif isinstance(err, OSError) and isinstance(err.filename, str):
        _say(f"{err.filename}: it cannot be used ({err.strerror}); check the name and its rights")
    else:
        _say(f"recorder: {fault_of(err)}")
    return 2


def _say_usage(err: click.UsageError, args: Sequence[str]) -> None:
    asked = list(args)[:1]
    path = err.ctx.command_path if err.ctx else " ".join(["recorder", *(a for a in asked if a in COMMANDS)])
    said = err.format_message().strip()
    for type_, name in _TYPES.items():
        said = said.replace(f"is not a valid {type_}", f"is no {name}")
    said += "" if said.endswith((".", "?")) else "."
    _say(f"{path}: {said}{_meant(asked, err)}{_file_meant(args, err)} See '{path} --help'.")


def _meant(asked: Sequence[str], err: click.UsageError) -> str:
    """The command that was most likely meant, where there is none of the name that was typed."""
    if not asked or asked[0] in COMMANDS or asked[0].startswith("-") or "No such command" not in err.message:
        return ""
    from difflib import get_close_matches

    near = get_close_matches(asked[0].lower(), COMMANDS, 1)
    return f" Did you mean '{near[0]}'?" if near else ""


def _file_meant(args: Sequence[str], err: click.UsageError) -> str:
    """How to write the name of a file that begins like an option, where such a file is there: * has it, too."""
    if not isinstance(err, click.NoSuchOption):
        return ""
    for arg in args:
        if arg.startswith(err.option_name) and os.path.lexists(arg):
            return f" The file of that name is written './{printable(arg)}'."
    return ""


def _forget(stream: TextIO) -> None:
    """What stands in the buffer of an output is not tried again at the end."""
    with suppress(OSError, ValueError, AttributeError):  # it may be closed, or no file at all
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _say(text: str) -> None:
    """The last words, for which whoever reads them has time; Ctrl-C ends that, too."""
    try:
        click.echo(printable(" ".join(text.split())), err=True)
    except KeyboardInterrupt:
        _forget(sys.stderr)


@click.group(cls=LazyGroup, invoke_without_command=True,
             context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="recorder")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Record and judge pressure tests of vehicle cooling systems.

    Without a command, the window opens. Not a safety device: the vehicle maker's limits, local codes and
    trained practice come first.
    """
    if ctx.invoked_subcommand is not None:
        return
    try:
        window = import_module("recorder.window")
        run = window.run
    except (ImportError, AttributeError) as err:
        raise RecorderError(
            f"the window cannot be opened ({err})",
            do="use a terminal command, for instance 'recorder record --help'",
        ) from None
    headless = sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or os.environ.get("QT_QPA_PLATFORM")
    )
    if headless:
        raise RecorderError(
            "the window cannot be opened: there is no display",
            do="use a terminal command, for instance 'recorder record --help'",
        )
    ctx.exit(int(run([])))
