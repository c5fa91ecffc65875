"""The operator's own scanner looks at each file that people send, before anything is kept.

ALMANAC_FILE_SCANNER is a command that reads the file from its standard input and ends with 0 where it found nothing
and with 1 where it found something (virus scanners for the shell work so). Without it nothing is looked at.
"""

from __future__ import annotations

import logging
import shlex
import subprocess

from django.conf import settings

logger = logging.getLogger(__name__)
LONGEST_SECONDS = 60
FOUND = "The scanner of this installation found something harmful in the file. It was not kept."
COULD_NOT = (
    "The scanner of this installation could not look at the file, so it was not kept. Try again later."
)


def refusal(content: bytes) -> str:
    """Why the file may not be kept, in words; empty where it may. A scanner that does not answer refuses."""
    if not settings.FILE_SCANNER:
        return ""
    try:
        ended = subprocess.run(  # noqa: S603 (the operator's own command, without a shell)
            shlex.split(settings.FILE_SCANNER), input=content, capture_output=True, timeout=LONGEST_SECONDS
        )
    except (OSError, ValueError, subprocess.TimeoutExpired) as error:
        logger.error("The file scanner could not be asked: %s", type(error).__name__)
        return COULD_NOT
    if ended.returncode == 0:
        return ""
    if ended.returncode == 1:
        logger.warning("The file scanner found something in a file that was sent")
        return FOUND
    logger.error("The file scanner ended with %s", ended.returncode)
    return COULD_NOT
