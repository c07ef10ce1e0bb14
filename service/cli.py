"""The commands. Each one is thin: it reads its arguments, calls one function, prints.

A small home computer takes seconds to load the database's and the web's libraries, so a command
imports what only it needs; so does the worker's process, which reads this file again.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from adapters.embedded import COMMIT_EVERY_S, BrokerFailed, EmbeddedBroker
from service import checking
from service.clock import Clock, FastClock, utc
from service.hide import HideTokens
from service.listening import CannotListen, is_loopback, listen
from service.records.errors import RecordsError
from service.records.values import Role
from service.settings import HomeWiring, Http, Wiring
from service.settings_check import SettingsRefused, load

if TYPE_CHECKING:
    from service.records.records import Records

app = typer.Typer(
    help="Keeps a hot-water cylinder just full enough. Controls comfort and cost only: the "
    "cylinder's own safety devices stay in charge.",
    no_args_is_help=True,
    add_completion=False,
)
token_app = typer.Typer(help="Tokens for pages and API.", no_args_is_help=True)
app.add_typer(token_app, name="token")
# Names and paths are shown as they are, whatever brackets they have.
out = Console(highlight=False, soft_wrap=True, markup=False)

Config = Annotated[Path, typer.Option("--config", help="The TOML file, see config/ladle.toml.")]


def main() -> None:
    """Run the command line; errors that a person can mend end it with one message."""
    logging.basicConfig(format="%(asctime)s %(levelname)s %(message)s", level=logging.INFO)
    for handler in logging.getLogger().handlers:
        handler.addFilter(HideTokens())  # whatever is logged, wherever: no token in it
    for chatty in ("httpx", "alembic", "apscheduler", "transitions", "amqtt"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    try:
        app(prog_name="ladle")
    except (SettingsRefused, RecordsError, CannotListen, BrokerFailed) as error:
        out.print(str(error), style="bold")
        sys.exit(2)


@app.command()
def serve(config: Config) -> None:
    """Run the service until it is told to stop (SIGTERM, Ctrl-C)."""
    wiring = load(config)
    from service import serving  # noqa: PLC0415 - loads everything

    if not serving.serve(wiring, config, out):
        raise typer.Exit(2)


def _records(wiring: Wiring, make: bool = False) -> Records:
    """The records of this wiring; only ``make`` begins new ones."""
    from service.records.records import Records  # noqa: PLC0415 - of the commands that need them

    return Records.open(wiring.database.url, make=make)


def _named(wiring: Wiring, *homes: str) -> list[HomeWiring]:
    """The homes of these names; says which there are when one is unknown."""
    known = {h.id: h for h in wiring.homes}
    wrong = [repr(h) for h in homes if h not in known]
    if wrong:
        raise typer.BadParameter(f"no home {', '.join(wrong)}; homes: {', '.join(known)}")
    return [known[h] for h in homes]


def _one_of(option: str, value: str, known: Iterable[str]) -> None:
    """Refuse a value of an option that is none of those known, and say which there are."""
    names = list(known)
    if value not in names:
        raise typer.BadParameter(f"{value!r} is none of: {', '.join(names)}", param_hint=option)


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Option(help="Where records are kept; a new one by default.")
    ] = None,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Of the page; 0 picks a free one.")
    ] = 8480,
    speed: Annotated[float, typer.Option(min=1, max=3600, help="How fast time runs.")] = 600.0,
    household: Annotated[
        str, typer.Option(help="Which invented household: school_family or early_shift.")
    ] = "school_family",
    seed: Annotated[int, typer.Option(help="Of the invented days.")] = 3,
) -> None:
    """An invented home on an embedded broker, 600 times as fast as life."""
    import tempfile  # noqa: PLC0415 - the demo's own needs

    from service.assembly import Service  # noqa: PLC0415
    from service.records.records import Records  # noqa: PLC0415
    from service.serving import run  # noqa: PLC0415
    from service.simulation import demo as demos  # noqa: PLC0415
    from service.simulation.household import HOUSEHOLDS  # noqa: PLC0415
    from service.simulation.live import LiveHome  # noqa: PLC0415
    from service.worker import InlineWorker  # noqa: PLC0415

    _one_of("--household", household, HOUSEHOLDS)
    http = Http(port=port)
    listening = listen(http, True, "Name another with --port, or 0 for a free one")
    broker = EmbeddedBroker()
    broker.start()
    folder = folder or Path(tempfile.mkdtemp(prefix="ladle-demo-"))
    made = demos.demo(
        broker.wiring, folder, http, HOUSEHOLDS[household], seed, COMMIT_EVERY_S * speed
    )
    records = Records.open(made.wiring.database.url, alone=True)
    kept = records.load_snapshot(made.settings.wiring.id)
    if kept is not None:  # a folder used before: time goes on from there
        made = replace(made, start_s=kept.at.timestamp())
    clock: Clock = FastClock(made.start_s, speed)
    out.print(f"An invented home, {speed:g} times as fast as life. Records are in {folder}.")
    if kept is None:
        count = demos.load_history(records, made)
        out.print(f"Loaded {demos.HISTORY_WEEKS} weeks of invented history: {count} draws.")
    service = Service(made.wiring, clock, records, InlineWorker())
    live = LiveHome(made.home(), made.settings.wiring, broker.wiring, clock)
    live.start()
    try:
        run(service, listening, records.tokens.none_in_force(), out)
    finally:
        live.stop()
        records.close()
        broker.stop()


@app.command()
def check(
    config: Config,
    live: Annotated[bool, typer.Option("--live", help="Connect and show each signal.")] = False,
    seconds: Annotated[float, typer.Option(min=1, help="How long to listen.")] = 15.0,
    pulse_seconds: Annotated[float, typer.Option(min=1, max=120, help="Of one pulse.")] = 20.0,
) -> None:
    """Validate a configuration; say what it would subscribe to and command."""
    wiring = load(config)
    held, unread = checking.in_force(wiring)
    if unread:
        out.print(f"note: {unread}")
    bad = False
    for settings in held:
        out.print(checking.report(wiring, settings))
        bad |= any(f.refuses for f in checking.findings(wiring, settings))
    if bad:
        raise typer.Exit(2)
    if live and not checking.live(wiring, held, seconds, pulse_seconds, out, typer.confirm):
        raise typer.Exit(2)


@app.command()
def replay(
    config: Config,
    draws: Annotated[
        str,
        typer.Option(
            help="records, a CSV file (start, litres_40c, seconds), a published tapping profile "
            "(S, M, L, XL) or an invented household (school_family, early_shift)."
        ),
    ] = "records",
    home: Annotated[str | None, typer.Option(help="Which home; the first by default.")] = None,
    days: Annotated[int, typer.Option(min=1, max=3660, help="At most so many.")] = 365,
    since: Annotated[
        str | None, typer.Option(help="First local day, YYYY-MM-DD; by default the latest days.")
    ] = None,
    tank: Annotated[
        str | None, typer.Option(help="A stranger's cylinder model: a command of JSON lines.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Of invented days and weather.")] = 1,
    pv_peak_w: Annotated[
        float, typer.Option(min=0.0, max=1e6, help="What its solar panels give in full sun, W.")
    ] = 0.0,
    own_pace: Annotated[
        bool,
        typer.Option(
            "--own-pace",
            help="Plan in the home's own slots and as often as the service, not in whole hours "
            "and every fourth; several times slower.",
        ),
    ] = False,
) -> None:
    """Live a stretch again with Ladle's own control and without it, and say what each came to."""
    from service.simulation import replaying  # noqa: PLC0415 - a replay's own needs

    wiring = load(config)
    chosen = wiring.homes[0] if home is None else _named(wiring, home)[0]
    try:
        replaying.replay(
            wiring,
            chosen,
            draws,
            days,
            since,
            tank,
            seed,
            out,
            pv_peak_w=pv_peak_w,
            own_pace=own_pace,
        )
    except (ValueError, RuntimeError) as error:
        raise typer.BadParameter(str(error)) from None


@token_app.command("make")
def token_make(
    config: Config,
    name: Annotated[str, typer.Option(help="Whose it is, for the trace.")],
    role: Annotated[
        str, typer.Option(metavar="|".join(Role), help="What it may do.")
    ] = Role.HOUSEHOLD,
    home: Annotated[list[str] | None, typer.Option(help="Homes it opens; all by default.")] = None,
) -> None:
    """Make a token and show it once."""
    _one_of("--role", role, Role)
    if not name.strip():
        mend = "a token needs the name of whoever will hold it"
        raise typer.BadParameter(mend, param_hint="--name")
    wiring = load(config)
    homes = [h.id for h in (_named(wiring, *home) if home else wiring.homes)]
    with closing(_records(wiring, make=True)) as records:
        secret, _ = records.tokens.make(name, role, homes, utc(time.time()))
    out.print("This token is shown once; only its hash is kept:")
    out.print(secret)
    if not is_loopback(wiring.http.host):
        out.print(
            f"A Ladle that was started without any token answers on {wiring.http.host} only when "
            "it is started again."
        )


@token_app.command("list")
def token_list(config: Config) -> None:
    """Who holds a token."""
    with closing(_records(load(config))) as records:
        tokens = records.tokens.all()
    if not tokens:
        out.print("No token has been made.")
    for token in tokens:
        ended = f"  ended {token.ended_at:%Y-%m-%d %H:%M}" if token.ended_at else ""
        out.print(f"{token.id}  {token.name}  {token.role}  {', '.join(token.homes)}{ended}")


@token_app.command("end")
def token_end(config: Config, number: Annotated[int, typer.Argument(help="From 'list'.")]) -> None:
    """End a token at once."""
    with closing(_records(load(config))) as records:
        try:
            records.tokens.end(number, "command line", utc(time.time()))
        except KeyError:
            mend = f"there is no token {number}; see: ladle token list"
            raise typer.BadParameter(mend) from None
    out.print(f"Token {number} has ended.")


@app.command()
def backup(config: Config, target: Annotated[Path, typer.Argument(help="The copy.")]) -> None:
    """Copy the records while the service runs; ``ladle restore`` puts a copy back."""
    with closing(_records(load(config))) as records:
        size = records.backup(target)
    out.print(f"{target}: {size / 1e6:.1f} MB, checked.")


@app.command()
def restore(
    config: Config, source: Annotated[Path, typer.Argument(help="A copy made by backup.")]
) -> None:
    """Put a copy in the place of the records; stop the service first."""
    from service.records import database  # noqa: PLC0415 - of the commands that need records

    database.restore(load(config).database.url, source)
    out.print(f"{source} is in place; what was there is kept beside it.")


@app.command()
def export(
    config: Config,
    home: Annotated[str, typer.Argument(help="The home's id, be it wired no more.")],
    folder: Annotated[Path, typer.Argument(help="Where the CSV files go.")],
) -> None:
    """Write everything that is kept about one home as CSV files."""
    wiring = load(config)
    with closing(_records(wiring)) as records:
        if home not in records.homes():
            _named(wiring, home)
        for path in records.export_csv(home, folder):
            out.print(str(path))


if __name__ == "__main__":
    main()
