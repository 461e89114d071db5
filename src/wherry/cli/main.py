"""The entry point: find the command, import only that, run it, turn failures into sentences and exit codes."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Final

from wherry import __version__
from wherry.cli import output
from wherry.cli.output import Exit
from wherry.errors import LinkError, WherryError

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "survey": ("wherry.cli.survey", "what does this controller answer, how much at once, how fast? only reads"),
    "fit": ("wherry.cli.fit", "find how a known value is kept: address, type, order and scale"),
    "new": ("wherry.cli.new", "write a commented starter plan"),
    "import": ("wherry.cli.import_", "a register table, or a SunSpec device, made into points of a plan"),
    "check": ("wherry.cli.check", "judge a plan: what is wrong, where, and how it is mended"),
    "budget": ("wherry.cli.budget", "can it be carried, how loaded is each controller, how old can a value get?"),
    "rehearse": ("wherry.cli.rehearse", "the whole plan for hours of simulated time, with faults"),
    "run": ("wherry.cli.run", "carry the values, guarded and counted; reads only unless armed"),
    "prove": ("wherry.cli.prove", "what must be shown of a plan before it is handed over, and what that takes"),
    "record": ("wherry.cli.record", "what a record holds, and whether anything in it was changed"),
    "simulate": ("wherry.cli.simulate", "serve the plan's controllers on loopback, with moving values"),
    "sheet": ("wherry.cli.sheet", "register sheets for both programmers, and the receiver's half as a program"),
    "report": ("wherry.cli.report", "what a record shows, as one HTML file and one PDF"),
    "demo": ("wherry.cli.demo", "the whole of it on simulated controllers, no hardware"),
    "schema": ("wherry.cli.schema", "print the JSON Schema of the plan file, for editors"),
}
"""Each command: its module (with a function ``NAME_command``) and what it answers."""

HELP: Final = """\
wherry carries values between controllers that speak Modbus TCP: one plan to check, try out and run.

usage: wherry COMMAND [options]

{commands}

wherry COMMAND --help tells about one command; wherry --version prints the version.
Exit codes: 0 all well; 1 the answer is no; 2 the call or the plan is wrong; 3 a controller could not
be reached; 130 interrupted.

Not a safety function and must not carry one. Writing into a live controller can move machinery."""


def help_text() -> str:
    """The text of ``wherry --help``. Built without the command line library, so that it comes at once."""
    width = max(map(len, COMMANDS))
    lines = [f"  {name:<{width}}  {summary}" for name, (_, summary) in COMMANDS.items()]
    return HELP.format(commands="\n".join(lines))


def run_command(name: str, arguments: Sequence[str]) -> int:
    """Parse the arguments of one command by its function's types, and run it."""
    from cyclopts import App, CycloptsError

    from wherry.cli.wrong_call import what_is_wrong

    module = importlib.import_module(COMMANDS[name][0])
    app = App(
        name=f"wherry {name}",
        help_format="plaintext",
        version_flags=[],
        result_action="return_value",
        console=output.console(),
        error_console=output.console(to_stderr=True),
        suppress_keyboard_interrupt=False,  # ours says that it was interrupted
    )
    app.default(getattr(module, f"{name}_command"))
    try:
        result = app(arguments, exit_on_error=False, print_error=False)
    except CycloptsError as wrong:
        output.error(what_is_wrong(wrong), f"see: wherry {name} --help")
        return Exit.WRONG_CALL
    return int(result or 0)


def dispatch(arguments: Sequence[str]) -> int:
    """Run what the arguments ask for; returns the exit code."""
    if not arguments or arguments[0] in ("--help", "-h", "help"):
        output.data(help_text())
        return Exit.OK if arguments else Exit.WRONG_CALL
    if arguments[0] in ("--version", "version"):
        output.data(f"wherry {__version__}")
        return Exit.OK
    name = arguments[0]
    if name not in COMMANDS:
        import difflib

        near = difflib.get_close_matches(name, COMMANDS, n=1)
        hint = f"did you mean: wherry {near[0]}" if near else "see: wherry --help"
        output.error(f"there is no command `{name}`", hint)
        return Exit.WRONG_CALL
    return run_command(name, arguments[1:])


def main() -> None:
    """Console entry point."""
    if not __debug__:
        output.error("refusing to start with assertions stripped (python -O): they are part of the guard")
        sys.exit(Exit.WRONG_CALL)
    output.open_closed_streams()
    try:
        code = dispatch(sys.argv[1:])
    except KeyboardInterrupt:
        output.talk("\ninterrupted")
        code = Exit.INTERRUPTED
    except LinkError as failed:
        output.error(str(failed))
        code = Exit.UNREACHABLE
    except WherryError as failed:
        output.error(str(failed))
        code = Exit.WRONG_CALL
    except BrokenPipeError:
        # The reader of our output has gone (for example `| head`): not an error of ours, and nothing can be printed.
        code = Exit.OK
    except Exception as fault:  # noqa: BLE001 - the border: a fault of ours must not reach a user as a traceback
        code = report_fault(fault)
    output.settle()
    sys.exit(code)


def report_fault(fault: Exception) -> int:
    """Say plainly that this is our fault, and keep what is needed to mend it."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="wherry-fault-", suffix=".txt", delete=False, encoding="utf-8"
    ) as kept:
        traceback.print_exception(fault, file=kept)
    output.error(
        f"a fault in wherry itself stopped this command: {type(fault).__name__}: {fault}",
        f"the details are in {kept.name}; please report them",
    )
    return Exit.WRONG_CALL
