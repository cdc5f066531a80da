"""The commands that need a browser: the terminal program in it, and the window of a roll."""

from __future__ import annotations

from pathlib import Path

import click

from tether.cli.options import (
    Int,
    archive_option,
    default_archive,
    read_settings,
    roll_argument,
    settings_option,
)
from tether.errors import TetherError

window_option = click.option(
    "--window", is_flag=True, help="Show takes at full size in a browser, beside the terminal."
)


@click.command(
    context_settings={
        "allow_extra_args": True,
        "ignore_unknown_options": True,
        "allow_interspersed_args": False,
    }
)
@click.pass_context
@click.argument("command", help="shoot or rehearse, with its own options behind it.")
@click.option(
    "--port", type=Int(0, 65535), default=0, help="Port on 127.0.0.1; 0 picks a free one."
)
def web(context: click.Context, command: str, port: int) -> None:
    """Use shoot or rehearse in a browser.

    Only this machine's browser can reach it. Example: tether web shoot, and the options of shoot.
    """
    if command not in ("shoot", "rehearse") or "--unattended" in context.args:
        raise click.BadParameter(
            "Write: tether web shoot, or: tether web rehearse. Only these two have screens."
        )
    # What is wrong with the options is said here, and not by a page that stays empty.
    group = context.find_root().command
    assert isinstance(group, click.Group)
    given = group.commands[command].make_context(command, list(context.args)).params
    if command == "shoot":
        from tether.archive.archive import refuse_rehearsals

        refuse_rehearsals(given["archive"] or default_archive())
    try:
        from tether.web.serve import serve
    except ModuleNotFoundError as error:
        raise TetherError(
            f"The package '{error.name}', which the browser needs, is not installed.",
            kept="The terminal program works without it.",
            todo="In the folder of this program: .venv/bin/pip install '.[web]'",
        ) from error
    serve([command, *context.args], port)


@click.command()
@roll_argument("The roll.")
@archive_option
@settings_option
def view(roll: str, archive: Path | None, settings: Path | None) -> None:
    """Look at takes at full size in a browser, without a camera.

    'shoot --window' shows the same beside the terminal while you shoot.
    """
    from tether.launch import Start, run_window

    run_window(
        Start(
            archive=archive or default_archive(),
            settings=read_settings(settings),
            settings_file=settings,
            roll=roll,
        )
    )
