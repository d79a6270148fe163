"""`lugwatch passphrase`: the word that a phone must know to change things on the page."""

import io
import socket
from pathlib import Path
from urllib.parse import quote

import click
import segno

from lugwatch import config
from lugwatch.cli.options import config_option
from lugwatch.config import Configuration
from lugwatch.dashboard.doors import check_passphrase, new_passphrase, write_lock
from lugwatch.dashboard.serve import is_loopback
from lugwatch.errors import UserError


@click.group("passphrase")
def command() -> None:
    """Set the pass-phrase of the page.

    With one, a phone must know it to acknowledge an alert or to write into the journal; with
    [web] passphrase_for = "everything" also to read. Without one, only this computer may change things.
    """


@command.command("set")
@config_option
@click.option("--own", is_flag=True, help="Ask for a phrase of your own instead of making one.")
@click.option("--url", help="The page's address as phones know it. Left out: this computer's name.")
def set_(config_path: Path, own: bool, url: str | None) -> None:
    """Make a new pass-phrase and show it once, in words and as a code for a phone's camera.

    Only a hash is kept. Every phone that had entered must enter anew. A running page takes it at once.
    """
    configuration = config.load(config_path)
    phrase = check_passphrase(_ask()) if own else new_passphrase()
    address = (url or _address(configuration)).rstrip("/")
    if not address.startswith(("http://", "https://")):
        raise UserError(f"--url {url!r} is no address; give one like http://boat.local:8037")
    write_lock(configuration.page.passphrase_file, phrase)
    # after the #: what stands there is never sent, so it is in no log
    code = segno.make(f"{address}/enter#{quote(phrase, safe='')}", micro=False)
    drawn = io.StringIO()
    code.terminal(drawn, compact=True)
    click.echo(drawn.getvalue().rstrip("\n"))
    if not own:
        click.echo(f"The pass-phrase:  {phrase}")
    click.echo(f"Enter it at:      {address}/enter, or let the phone's camera read the code.")
    click.echo("It is shown this once; whoever sees it can change things. Set a new one at any time.")
    if is_loopback(configuration.web_host):
        click.echo(
            f"The page answers only this computer now ([web] host = {configuration.web_host!r}); "
            'for phones set host = "0.0.0.0".'
        )


@command.command("clear")
@config_option
def clear(config_path: Path) -> None:
    """Forget the pass-phrase: from then on only this computer may change things."""
    path = config.load(config_path).page.passphrase_file
    try:
        path.unlink()
    except FileNotFoundError:
        click.echo("No pass-phrase was set.")
        return
    except OSError as error:
        raise UserError(f"cannot remove {path}: {error.strerror}; may this user write there?") from None
    click.echo("The pass-phrase is forgotten.")


def _ask() -> str:
    phrase: str = click.prompt("Pass-phrase", hide_input=True, confirmation_prompt="Once more")
    return phrase


def _address(configuration: Configuration) -> str:
    host, scheme = configuration.web_host, configuration.page.scheme
    if host in ("0.0.0.0", "::", "localhost") or is_loopback(host):
        name = socket.gethostname().split(".")[0]
        host = f"{name}.local"
    return (
        f"{scheme}://[{host}]:{configuration.web_port}"
        if ":" in host
        else f"{scheme}://{host}:{configuration.web_port}"
    )
