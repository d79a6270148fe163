"""The group of commands and how errors end: one line on standard error, never a traceback.

Exit status: 0 done, 1 an operation failed, 2 the user's input is wrong.
"""

import sys

import click

from lugwatch import __version__
from lugwatch.cli import (
    alerts,
    backup,
    check,
    circuit,
    creep,
    demo,
    divider,
    export,
    fitting,
    init,
    joints,
    journal,
    passages,
    passphrase,
    probes,
    proofs,
    prove,
    record,
    record_bus,
    replay,
    replay_bus,
    restore,
    salvage,
    shapes,
    sheet,
    stack,
    try_alerts,
    watch,
    web,
    winter,
)
from lugwatch.errors import OperationFailed, UserError


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="lugwatch")
def commands() -> None:
    """Watches the high-current joints of a cruising boat and says early which one is going bad.

    Start with `lugwatch demo`: an invented boat on an invented passage, on which one joint goes bad.

    lugwatch warns and does not protect: fuses and breakers do. Work on joints only with the circuit
    dead and the battery isolated.
    """


REPORTS = (joints, alerts, passages, creep, winter, shapes, proofs)
BEGINNING = (demo, init, circuit, probes, fitting, check, try_alerts)
RUNNING = (watch, web, replay, record_bus, replay_bus)
for module in (
    *BEGINNING,
    *RUNNING,
    *REPORTS,
    prove,
    journal,
    record,
    export,
    sheet,
    backup,
    restore,
    salvage,
    stack,
    divider,
):
    commands.add_command(module.command)
commands.add_command(passphrase.command)
commands.add_command(sheet.report)


def main(arguments: list[str] | None = None) -> None:
    """Run one command and exit with its status."""
    try:
        commands.main(args=arguments, prog_name="lugwatch", standalone_mode=False)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except click.ClickException as error:
        # click's own words for a wrong option or argument, on one line
        click.echo(f"lugwatch: {error.format_message()}", err=True)
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except (UserError, OperationFailed) as error:
        click.echo(f"lugwatch: {error}", err=True)
        sys.exit(error.exit_status)
