"""The program's own settings with a throw-away data folder and a fast password hasher."""

import os
import tempfile

os.environ.setdefault("ALMANAC_DATA", tempfile.mkdtemp(prefix="almanac-test-"))

from fleet.settings import *  # noqa: F403

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
MAIL_SET_UP = True
ALLOWED_HOSTS = ["testserver", "127.0.0.1", "localhost"]
# Static files are looked for when they are asked for: each client of a test would list them all before its first request.
WHITENOISE_AUTOREFRESH = True
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
