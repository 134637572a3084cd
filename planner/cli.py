"""The `planner` command: assembles the commands, turns errors into one line and an exit code.

Exit codes: 0 done, 1 done with findings that need attention, 2 wrong use or unreadable input.
"""

from __future__ import annotations

import importlib
import sys

import click

from planner.errors import PlannerError

# command name -> module of planner.commands that defines a click command of that (underscored) name
COMMANDS: dict[str, str] = {
    "demo": "demo",
    "prepare": "prepare",
    "load": "load",
    "status": "load",
    "export": "load",
    "backup": "load",
    "templates": "load",
    "analyse": "analyse",
    "trace": "plant",
    "audit": "plant",
    "impact": "plant",
    "budget": "light",
    "grade": "light",
    "rank": "rank",
    "backtest": "rank",
    "trace-dirt": "rank",
    "diagnose": "diagnose",
    "route": "route",
    "plan": "route",
    "simulate": "simulate",
    "serve": "serve",
}


class LazyCommands(click.Group):
    """Imports a command's module only when it is used, so that `planner --help` starts at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"planner.commands.{COMMANDS[cmd_name]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command


@click.group(cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="connector-planner", prog_name="planner")
def planner() -> None:
    """Network health and maintenance planning for optical-fibre connectors.

    Load the fleet's tables, trace every circuit, find which end faces are dirty or damaged and what that
    costs, and plan the crews' days.
    """


def main() -> None:
    """Entry point of the `planner` script."""
    try:
        result = planner(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("stopped; nothing was changed", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except PlannerError as error:
        click.echo(f"planner: {error}", err=True)
        sys.exit(2)
    sys.exit(result if isinstance(result, int) else 0)
