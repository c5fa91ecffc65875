"""One conversation with the mail server, step by step, so that a failure says whether the message can have left.

Django's own backend folds the steps into one call; here the step that cannot be taken back, handing over the content,
is preceded by a commit.
"""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Callable
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from email.utils import parseaddr
from typing import Self

from django.conf import settings
from django.core.mail.utils import DNS_NAME


class NotLeft(Exception):
    """The message surely did not leave: safe to try again. `final`: trying again would change nothing.

    `server`: the server itself could not be reached, so that others need not be tried now either.
    """

    def __init__(self, words: str, final: bool = False, server: bool = False) -> None:
        super().__init__(words)
        self.final, self.server = final, server


class PerhapsLeft(Exception):
    """The content was handed over and no answer came."""


class NotBegun(Exception):
    """The caller withdrew at the last moment."""


class Postman:
    """Keeps one connection for many mails; opens it when the first one is to leave."""

    def __init__(self) -> None:
        self._smtp: smtplib.SMTP | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._hang_up(politely=True)

    def deliver(self, message: EmailMessage, address: str, begin: Callable[[], bool]) -> str:
        """Hand one mail over. `begin` is called, and must have committed, before its content leaves."""
        content = message.as_bytes(policy=SMTP_POLICY.clone(cte_type="7bit"))
        smtp = self._connected()
        try:
            self._ask(smtp, smtp.mail, parseaddr(settings.DEFAULT_FROM_EMAIL)[1])
            self._ask(smtp, smtp.rcpt, address)
            if not self._begun(begin):
                raise NotBegun
            code, words = smtp.docmd("data")
        except UnicodeError as error:
            self._hang_up()
            raise NotLeft(f"The address {address!r} cannot be mailed to.", final=True) from error
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            raise NotLeft(f"The mail server broke off before the message: {_said(error)}") from error
        if code != 354:
            self._hang_up()
            raise NotLeft(f"The mail server would not take it: {code} {_text(words)}", final=code >= 500)
        try:
            smtp.send(_dotted(content))
            code, words = smtp.getreply()
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            raise PerhapsLeft(
                f"The mail server took the message and did not answer: {_said(error)}"
            ) from error
        except BaseException:
            self._hang_up()  # in the middle of a mail a farewell would be read as its text, and never answered
            raise
        if 400 <= code < 600:
            raise NotLeft(f"The mail server refused the message: {code} {_text(words)}", final=code >= 500)
        if not 200 <= code < 300:
            self._hang_up()
            raise PerhapsLeft(
                f"The mail server's answer to the message makes no sense: {code} {_text(words)}"
            )
        return f"{code} {_text(words)}"

    def _begun(self, begin: Callable[[], bool]) -> bool:
        """A conversation that goes no further is ended, whatever the reason."""
        begun = False
        try:
            begun = begin()
        finally:
            if not begun:
                self._hang_up(politely=True)
        return begun

    def _ask(self, smtp: smtplib.SMTP, step: Callable[[str], tuple[int, bytes]], address: str) -> None:
        code, words = step(address)
        if code not in (250, 251):
            final = 500 <= code < 600
            if code == 421:
                self._hang_up()
            else:
                smtp.rset()
            raise NotLeft(f"The mail server refused {address}: {code} {_text(words)}", final=final)

    def _connected(self) -> smtplib.SMTP:
        if self._smtp is not None:
            return self._smtp
        try:
            self._smtp = self._connect()
        except (OSError, smtplib.SMTPException) as error:
            raise NotLeft(f"The mail server cannot be reached: {_said(error)}", server=True) from error
        return self._smtp

    def _connect(self) -> smtplib.SMTP:
        where = (settings.EMAIL_HOST, settings.EMAIL_PORT)
        # Our own name once for the process: looking it up for each connection can take seconds.
        own, trusted = DNS_NAME.get_fqdn(), ssl.create_default_context()
        smtp: smtplib.SMTP
        if settings.EMAIL_USE_SSL:
            smtp = smtplib.SMTP_SSL(*where, own, timeout=settings.EMAIL_TIMEOUT, context=trusted)
        else:
            smtp = smtplib.SMTP(*where, own, timeout=settings.EMAIL_TIMEOUT)
        try:
            if settings.EMAIL_USE_TLS:
                smtp.starttls(context=trusted)
            smtp.ehlo_or_helo_if_needed()
            if settings.EMAIL_HOST_USER:
                smtp.login(settings.EMAIL_HOST_USER, settings.EMAIL_HOST_PASSWORD)
        except BaseException:
            smtp.close()
            raise
        return smtp

    def _hang_up(self, politely: bool = False) -> None:
        smtp, self._smtp = self._smtp, None
        if smtp is None:
            return
        try:
            if politely:
                smtp.quit()
        except (OSError, smtplib.SMTPException):
            pass
        finally:
            smtp.close()


def _dotted(content: bytes) -> bytes:
    """Content as RFC 5321 4.5.2 sends it: leading dots doubled, ended by a line with one dot."""
    lines = content.replace(b"\r\n.", b"\r\n..")
    if lines.startswith(b"."):
        lines = b"." + lines
    return lines + (b"" if lines.endswith(b"\r\n") else b"\r\n") + b".\r\n"


def _text(words: bytes) -> str:
    return words.decode("utf-8", "replace").replace("\n", " ")[:200]


def _said(error: BaseException) -> str:
    return f"{type(error).__name__} {error}"[:200]
