"""manage.py start: make or open the data folder, load what is asked for, print the plan, serve the pages."""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
from contextlib import suppress
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import OperationalError, connection

from fleet.estate.acting import Acting
from fleet.estate.models import Membership, Organisation
from fleet.estate.services import admit_person, found_organisation


class Command(BaseCommand):
    for_whom = Acting.OPERATOR
    help = "Starts Tank Almanac on this machine. --demo loads an invented estate and prints its plan first."

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--demo", action="store_true", help="load the invented demonstration estate")
        parser.add_argument("--once", action="store_true", help="end after printing, without serving pages")
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8014)

    def handle(self, *args: Any, **options: Any) -> None:
        if not options["once"]:
            self._check_port(options["host"], options["port"])
        self._open_database()
        if options["demo"]:
            from fleet.planning.demo import open_demo

            open_demo(self.stdout.write)
        elif not Organisation.objects.exists():
            self._first_owner()
        if not options["once"]:
            self._serve(options["host"], options["port"])

    def _open_database(self) -> None:
        try:
            connection.ensure_connection()
            if "django_migrations" not in connection.introspection.table_names():
                self.stdout.write("Making an empty record; this takes some seconds, once.")
                self.stdout.flush()
            call_command("migrate", verbosity=0, interactive=False)
        except OperationalError as error:
            raise CommandError(f"The database cannot be opened: {str(error).strip()}") from error

    def _first_owner(self) -> None:
        organisation = found_organisation("My organisation")
        password = admit_person(organisation, "owner@almanac.example", Membership.Role.OWNER, "Owner")
        self.stdout.write("A first account was made. Sign in as owner@almanac.example")
        self.stdout.write(f"Password (shown this once): {password}")

    def _check_port(self, host: str, port: int) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError as error:
                if error.errno == errno.EADDRINUSE:
                    raise CommandError(
                        f"Port {port} is already in use. Choose another with --port."
                    ) from error
                raise CommandError(f"Cannot listen on {host}:{port}: {error.strerror}.") from error

    def _serve(self, host: str, port: int) -> None:
        from waitress.server import create_server

        from fleet.wsgi import application

        server = create_server(application, host=host, port=port, threads=8, ident=None)
        command = [sys.executable, str(settings.ROOT / "manage.py"), "work", "--parent", str(os.getpid())]
        worker = subprocess.Popen(command, start_new_session=True)  # noqa: S603 - our own command line
        # Both set, since a shell that starts this in the background leaves the interrupt ignored.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.default_int_handler)
        self.stdout.write(f"Pages: http://{host}:{port}/   (Ctrl-C stops)")
        self.stdout.flush()
        try:
            server.run()
        except KeyboardInterrupt:
            pass
        finally:
            server.close()
            worker.terminate()
            with suppress(subprocess.TimeoutExpired):
                worker.wait(timeout=20)
            self.stdout.write("Stopped.")
