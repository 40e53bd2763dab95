"""`benchwright serve`: the bench in the browser."""

from __future__ import annotations

import click

from .at_bench import bench_option

PORT, LAN_PORT = 8137, 8138
"""As in `web.settings`, which loads when the server does; a test keeps them alike."""


@click.command()
@bench_option
@click.option(
    "--port", default=PORT, show_default=True, type=click.IntRange(0, 65535),
    help="Port on this machine; 0 takes a free one.",
)  # fmt: skip
@click.option("--lan", is_flag=True, help="Let phones and tablets in the same network be paired, by https.")
@click.option(
    "--lan-address", "lan_addresses", multiple=True, metavar="ADDRESS",
    help="This machine's address in that network, if the right one is not found.",
)  # fmt: skip
@click.option(
    "--lan-port", default=LAN_PORT, show_default=True, type=click.IntRange(0, 65535),
    help="Port for phones and tablets; 0 takes a free one.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address only.")
def serve(
    where: str | None, port: int, lan: bool, lan_addresses: tuple[str, ...], lan_port: int, no_browser: bool
) -> None:
    """Open the bench in the browser: on this machine, and on paired phones with --lan.

    It needs no internet. Without --lan no other machine can reach it. The printed address lets one browser
    in, once. --lan prints a code for the phone's camera, and the fingerprint to compare when the phone warns
    of the certificate, which this machine makes itself.

    Where there are no records yet, the first page offers an empty bench or the demo bench.
    """
    from ..web.server import Wanted, run

    run(
        Wanted(where, port, lan or bool(lan_addresses), lan_addresses, lan_port, not no_browser),
        lambda line: click.echo(line),
    )
