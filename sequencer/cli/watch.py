"""`watch`: serves the pages, and makes the token that opens them from other machines."""

from __future__ import annotations

import ipaddress
import logging
import socket
import ssl
import sys
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sequencer.problems import InputError, about_file, option_problem, printable
from sequencer.results.store.place import StorePlace, find_place
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.store import Store
from sequencer.safety.remembered.state_folder import StateFolder

if TYPE_CHECKING:
    from sequencer.watch.guard import Access
    from sequencer.watch.server import WatchServer
    from sequencer.watch.tokens import TokenFile

MOST_FILES = 8192
_NEEDED = ("starlette", "uvicorn")
_EXTRA = "an installation with the extra 'watch': pip install 'radio-bench-sequencer[watch]'"


def token_command() -> int:
    """Make a token, and show it; returns the exit status."""
    file = _token_file()
    try:
        token = file.make()
    except OSError as error:
        raise about_file(
            file.path,
            f"the token cannot be kept: {error.strerror or error}",
            allowed="a folder that can be written",
        ) from error
    click.echo(token)
    click.echo(
        "This is the token of this page: it is shown once, and only its hash is kept. Whoever was signed in before signs in anew.",
        err=True,
    )
    return 0


def watch_command(
    *,
    folder: Path,
    store_name: str,
    address: str,
    port: int,
    names: tuple[str, ...],
    certificate: Path | None,
    key: Path | None,
) -> int:
    """Serve the pages until Ctrl-C or SIGTERM; returns the exit status."""
    _see_installed()
    place = find_place(folder, store_name)
    _see_store(place)
    found = _checked_address(address)
    secure = _see_certificate(certificate, key)
    access = _access(found, names, secure=secure)
    from sequencer.watch.app import WatchApp

    _let_many_in()
    app = WatchApp(place, access)
    try:
        bound = _bound(found, port)
        try:
            server = _server(app.asgi, app.end_streams, certificate, key)
            _tell(bound, found, secure=secure, needs_token=access.token is not None)
            logging.getLogger("sequencer.watch").addHandler(logging.StreamHandler(sys.stderr))
            server.run(sockets=[bound])
        finally:
            bound.close()
    finally:
        app.close()
    click.echo("The page has ended.", err=True)
    return 0


def _let_many_in() -> None:
    """Allow as many open files as this user may have: each open page is one, and shells begin with about a thousand."""
    try:
        import resource
    except ImportError:  # Windows, which has no such limit
        return
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_FILES if most == resource.RLIM_INFINITY else min(MOST_FILES, most)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))


def _see_installed() -> None:
    if missing := [name for name in _NEEDED if find_spec(name) is None]:
        raise option_problem("watch", f"needs {' and '.join(missing)}, not installed here", allowed=_EXTRA)


def _see_store(place: StorePlace) -> None:
    """See that there is a store to be read. Raises InputError; of an earlier schema, brings it to this one, as other commands do."""
    try:
        Store.open_to_read(place).close()
        Store.open_to_watch(place).close()
    except StoreProblem as problem:
        raise problem.as_file_problem() from problem


def _checked_address(address: str) -> str:
    """Return an address of this machine. Raises InputError for what is none."""
    name = "127.0.0.1" if address == "localhost" else address.strip("[]")
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        raise option_problem(
            "--address",
            "not an address",
            found=printable(address)[:40],
            allowed="an IP address of this machine, such as 127.0.0.1, 192.0.2.10, 0.0.0.0 or ::1",
            hint="a name by which browsers call it is given with --name",
        ) from None


def _see_certificate(certificate: Path | None, key: Path | None) -> bool:
    """Say whether the pages are served by TLS. Raises InputError where one file is missing, or they do not go together."""
    if certificate is None and key is None:
        return False
    if certificate is None or key is None:
        lacking, there = ("--certificate", "--key") if certificate is None else ("--key", "--certificate")
        raise option_problem(lacking, f"it goes with {there}, and is missing", allowed="both, or neither")
    for option, path in (("--certificate", certificate), ("--key", key)):
        if not path.is_file():
            raise option_problem(
                option, "there is no such file", found=printable(str(path))[:80], allowed="a PEM file"
            )
    try:
        # without a password: nobody is there to type one
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except (ssl.SSLError, OSError, ValueError) as error:
        raise option_problem(
            "--certificate",
            f"certificate and key cannot be used together: {error}",
            allowed="a certificate and its own private key, both PEM, the key without a password",
        ) from error
    return True


def _access(address: str, names: tuple[str, ...], *, secure: bool) -> Access:
    """Return who is let in. Raises InputError where a token is needed and there is none."""
    from sequencer.watch.guard import Access, names_of

    for one in names:
        if not one or len(one) > 253 or not one.isascii() or any(not (c.isalnum() or c in "-.") for c in one):
            raise option_problem(
                "--name",
                "not a host's name",
                found=printable(one)[:40],
                allowed="letters, digits, - and ., such as bench.example",
            )
    if ipaddress.ip_address(address).is_loopback:
        return Access(names=names_of(*names), secure=secure)
    token = _token_file()
    if not token.hashed():
        raise option_problem(
            "--address",
            f"{address} can be reached from other machines, and there is no token",
            allowed="call 'sequencer watch token' first, as the same user; without --address the page is for this machine only",
        )
    own = (socket.gethostname(), socket.getfqdn())
    return Access(names=names_of(*names, *own, address), any_address=True, token=token, secure=secure)


def _token_file() -> TokenFile:
    """Return where the token's hash is kept: in this user's own folder. Raises InputError where there is none."""
    from sequencer.watch.tokens import TokenFile

    folder = StateFolder.of_user() or StateFolder.find()
    if not folder.chosen:
        raise InputError(
            about_file(
                "watch",
                "this user has no folder of its own to keep a token in",
                allowed="a home folder, or XDG_STATE_HOME",
            ).complaints
        )
    return TokenFile.within(folder.path)


def _bound(address: str, port: int) -> socket.socket:
    from sequencer.watch.server import bound_socket

    try:
        return bound_socket(address, port)
    except OSError as error:
        raise option_problem(
            "--port",
            f"port {port} of {address} cannot be listened on: {error.strerror or error}",
            allowed="a free port from 1024 on, or 0 to take any; an address of this machine",
        ) from error


def _server(app: object, end_streams: object, certificate: Path | None, key: Path | None) -> WatchServer:
    from sequencer.watch.server import make_server

    return make_server(app, end_streams=end_streams, certificate=certificate, key=key)  # type: ignore[arg-type]


def _tell(bound: socket.socket, address: str, *, secure: bool, needs_token: bool) -> None:
    """Say where the pages are, and what somebody should know of who can read along."""
    port = bound.getsockname()[1]
    own = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(address, address)
    shown = f"[{own}]" if ":" in own else own
    click.echo(f"{'https' if secure else 'http'}://{shown}:{port}/")
    if needs_token and not secure:
        click.echo(
            "Without --certificate and --key the token and all that is shown go over the network in the clear, for whoever listens there.",
            err=True,
        )
    sys.stdout.flush()
