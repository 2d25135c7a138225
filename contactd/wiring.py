"""Puts the parts together: which clock, which ledger, which daemon, which faces."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import socket

    from contactd.config import Configuration
    from contactd.records.lock import ServiceLock
    from contactd.service.clock import Clock
    from contactd.service.daemon import Daemon
    from contactd.service.election import Pair
    from contactd.service.log_writer import LogWriter
    from contactd.service.rehearsal import Rehearsal, Report
    from contactd.service.store import Store


SWITCH_S = 0.0005
"""So long (s) a thread may keep the interpreter's lock while another one waits for it."""
LEFT_ALONE = 3
"""Exit code of a service whose ledger has been brought up to date by a newer version, or on whose
ledger another service watches."""


class _MachineClock:
    """The machine's clock, imported when it is first asked."""

    def now(self) -> float:
        from contactd.service.clock import WallClock

        return WallClock().now()


def run(config_dir: str, options: Mapping[str, Any]) -> int | None:
    """Run the daemon over a configuration's folder until it is told to stop.

    Returns:
        1 when the settings themselves are wrong, so that nothing can be started;
        ``LEFT_ALONE`` when the ledger is a newer version's, or another service's; else 0.

    Raises:
        ContactdError: if the ledger or the address to listen on cannot be had.
    """
    import asyncio

    from contactd.config import examine
    from contactd.core.errors import NewerLedger
    from contactd.records.lock import LedgerInUse
    from contactd.service import logs
    from contactd.service.clock import WallClock
    from contactd.service.server import handed_over, listen

    # The watch gives the interpreter's lock up hundreds of times for one alert; whoever computes
    # beside it (answers, predictions) may keep it only so long each time.
    sys.setswitchinterval(SWITCH_S)
    clock = WallClock()
    state_directory = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    place = Path(state_directory) if state_directory else None
    found = examine(Path(config_dir), place, clock.now())
    configuration = found.configuration
    if not found.settings_known:
        # Without its settings the service would look for its ledger in the wrong place.
        for error in found.errors:
            print(error, file=sys.stderr)
        return 1
    settings = configuration.settings
    log = logs.set_up(settings.log.format, settings.log.level, clock.now)
    listener = handed_over(os.environ) or listen(settings.http.host, settings.http.port)
    try:
        lock = _lock(configuration, clock)
    except LedgerInUse as error:
        print(error, file=sys.stderr)
        listener.close()
        return LEFT_ALONE
    try:
        store = _open_store(configuration, clock)
    except NewerLedger as error:
        print(error, file=sys.stderr)
        listener.close()
        return LEFT_ALONE
    refused = tuple(str(error) for error in found.errors)
    try:
        refusal = asyncio.run(_serve(configuration, refused, place, clock, store, listener, log))
    finally:
        store.close()
        listener.close()
        if lock is not None:
            lock.release()
        log.drain()
    if refusal:
        print(refusal, file=sys.stderr)
    return LEFT_ALONE if refusal else 0


def _lock(configuration: Configuration, clock: Clock) -> ServiceLock | None:
    """The lock of this service's ledger; None where the ledger can have several services.

    Raises:
        LedgerInUse: if another service has it.
    """
    from contactd.core.instants import to_text
    from contactd.records.database import file_of_url
    from contactd.records.lock import ServiceLock

    file = file_of_url(configuration.store_url)
    return None if file is None else ServiceLock(file).take(to_text(clock.now(), 0))


def _open_store(configuration: Configuration, clock: Clock) -> Store:
    """The ledger, open. A damaged one is kept aside, and what can be known of it is gone on from:
    somebody must watch.

    Raises:
        LedgerError: if there is none to be had, for another reason than damage.
    """
    import structlog

    from contactd.core.errors import LedgerError
    from contactd.records import Ledger
    from contactd.records.backup import copies_in, damage_of, recover, stamp
    from contactd.records.database import file_of_url
    from contactd.service.store import Store

    file = file_of_url(configuration.store_url)
    if file is None:
        return Store(Ledger.open(configuration.store_url))
    damage = damage_of(file) if file.exists() else ""
    if not damage:
        try:
            ledger = Ledger.open(configuration.store_url)
            ledger.read_all()
            return Store(ledger, file=file)
        except LedgerError as error:
            if not error.damaged:
                raise
            damage = str(error)
    wanted = configuration.settings.ledger.backup
    copies = [] if wanted is None else copies_in(configuration.directory / wanted.to)
    found = recover(file, copies, stamp(clock.now()))
    said = (
        f"the ledger was damaged ({damage}) and is kept as {found.aside}; "
        f"what is watched rests on {found.source}"
    )
    structlog.get_logger("contactd").error("the ledger was damaged", damage=said)
    store = Store(Ledger.open(configuration.store_url), file=file)
    store.damage = said
    return store


def _pair(configuration: Configuration, clock: Clock) -> Pair | None:
    """This service's part in a pair; None where the ledger cannot have several services."""
    if not configuration.store_url.startswith("postgresql"):
        return None
    import socket

    from contactd.config.settings import Pair as Section
    from contactd.records.lease import Lease
    from contactd.service.election import Pair

    section = configuration.settings.pair or Section()
    name = section.name or socket.gethostname()
    return Pair(Lease(configuration.store_url, name, section.lease_s), clock)


async def _serve(
    configuration: Configuration,
    refused: tuple[str, ...],
    state_directory: Path | None,
    clock: Clock,
    store: Store,
    listener: socket.socket,
    log: LogWriter,
) -> str:
    """Serve until told to stop; why this version must leave the ledger alone, or ""."""
    import asyncio
    import signal

    from prometheus_client import (
        CollectorRegistry,
        GCCollector,
        ProcessCollector,
        disable_created_metrics,
    )

    from contactd.faces.http import build_app
    from contactd.faces.http.rules import FollowedRules
    from contactd.records import Ledger
    from contactd.service.alarm_metrics import AlarmCollector
    from contactd.service.alert_configuration import tickets_of
    from contactd.service.daemon import Daemon
    from contactd.service.files import FilesOnDisk
    from contactd.service.kernel_clock import synchronisation
    from contactd.service.metrics import Instruments, LogCollector, SnapshotCollector
    from contactd.service.notify import ServiceManager
    from contactd.service.server import HttpServer
    from contactd.service.surroundings import Surroundings
    from contactd.service.view import DaemonView

    disable_created_metrics()  # type: ignore[no-untyped-call]
    registry = CollectorRegistry()
    ProcessCollector(registry=registry)
    GCCollector(registry=registry)
    daemon = Daemon(
        configuration,
        refused,
        FilesOnDisk(configuration, state_directory),
        store,
        Surroundings(
            clock,
            Instruments(registry),
            ServiceManager(os.environ),
            synchronisation=synchronisation,
            pair=_pair(configuration, clock),
        ),
    )
    registry.register(SnapshotCollector(daemon.snapshot, daemon.clock.now))
    registry.register(AlarmCollector(lambda: daemon.state.alerts, daemon.clock.now))
    registry.register(LogCollector(log))
    if daemon.leading.pair is not None:
        from contactd.service.election_metrics import PairCollector

        registry.register(PairCollector(daemon.leading))
    with Ledger.open(configuration.store_url) as reader:
        rules = FollowedRules(lambda: daemon.state.configuration, _tokens_refused, tickets_of)
        app = build_app(DaemonView(daemon, registry, reader), rules)
        server = HttpServer(app, listener)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, daemon.stop)
        loop.add_signal_handler(signal.SIGHUP, daemon.reload_soon)
        serving = asyncio.create_task(server.serve())
        try:
            await daemon.run()
        finally:
            server.stop()
            await serving
    return daemon.leading.refusal


def _tokens_refused(problem: str) -> None:
    import structlog

    structlog.get_logger("contactd").error("tokens refused", problem=problem)


def rehearse(script: str, options: Mapping[str, Any]) -> Report:
    """Rehearse a script: at once, or live with the page if the options give a ``speed``.

    Raises:
        ContactdError: if the script or its configuration is wrong, or the address is taken.
    """
    import asyncio
    import tempfile

    from contactd.config.rehearsal import load_script
    from contactd.service import logs
    from contactd.service.rehearsal import Rehearsal

    path = Path(script)
    with tempfile.TemporaryDirectory(prefix="contactd-rehearsal-") as folder:
        rehearsal = Rehearsal(load_script(path), Path(folder), path.parent)
        logs.set_up("human", "info" if options["log"] else "silent", rehearsal.clock.now)
        if options["speed"] is None:
            return rehearsal.play()
        return asyncio.run(_rehearse_live(rehearsal, options["speed"], options["port"]))


async def _rehearse_live(rehearsal: Rehearsal, speed: float, port: int) -> Report:
    import asyncio

    from contactd.faces.http import build_app
    from contactd.faces.http.access import AccessRules
    from contactd.faces.tokens import Role, new_token
    from contactd.records import Ledger
    from contactd.service.server import HttpServer, listen
    from contactd.service.view import DaemonView

    listener = listen("127.0.0.1", port)
    # The real tokens are not for rehearsals; this one is for nothing else.
    secret, token = new_token("team", Role.OPERATOR)
    rules = AccessRules(tokens=(token,))
    serving: list[tuple[HttpServer, asyncio.Task[None]]] = []

    def ready(daemon: Daemon) -> None:
        ledger = Ledger.open(rehearsal.url)
        view = DaemonView(daemon, rehearsal.registry, ledger, rehearsal.notice)
        app = build_app(view, lambda: rules, rehearsal.controls)
        server = HttpServer(app, listener)
        serving.append((server, asyncio.ensure_future(server.serve())))
        print(f"{rehearsal.notice} Page: http://127.0.0.1:{port}/", file=sys.stderr)
        print(f"To steer it and to enter things, sign in there with {secret}", file=sys.stderr)

    try:
        return await rehearsal.go_on(headless=False, speed=speed, ready=ready)
    finally:
        for server, task in serving:
            server.stop()
            await task
        listener.close()


def main() -> None:
    """The program ``contactd``."""
    # Nothing here multiplies large matrices: threads for that would only cost their start.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imports make many objects that stay: looking for garbage among them is in vain.
    gc.set_threshold(20_000)
    from contactd.faces.cli import build

    build(_MachineClock(), run, rehearse)(prog_name="contactd")
