"""Settings, all from the environment; names begin with ALMANAC_. `.env.example` explains each."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

from fleet import environment
from fleet.operating.logs import logging_settings
from fleet.version import own_version

ROOT = Path(__file__).resolve().parent.parent
VERSION = own_version()
MODE = environment.choice("ALMANAC_MODE", ("embedded", "full"), "embedded")
EMBEDDED = MODE == "embedded"
DATA = Path(environment.text("ALMANAC_DATA", str(ROOT / "almanac-data"))).resolve()
try:
    DATA.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not os.access(DATA, os.W_OK):
        raise PermissionError(13, "Permission denied")
except OSError as error:
    raise ImproperlyConfigured(
        f"The data folder {DATA} cannot be written ({error.strerror}). Set ALMANAC_DATA to a folder you own."
    ) from error

DEBUG = environment.flag("ALMANAC_DEBUG", False)
SECRET_KEY = environment.kept_secret(DATA) if EMBEDDED else environment.text("ALMANAC_SECRET_KEY")
# Keys that stood before: what they signed and sealed is still read, nothing new is made with them.
SECRET_KEY_FALLBACKS = environment.words("ALMANAC_OLD_SECRET_KEYS", "")
ALLOWED_HOSTS = environment.words("ALMANAC_HOSTS", "127.0.0.1,localhost,[::1]")
if not EMBEDDED and "*" in ALLOWED_HOSTS:
    raise ImproperlyConfigured(
        "ALMANAC_HOSTS names the hosts that people reach these pages by; * lets any through."
    )
CSRF_TRUSTED_ORIGINS = environment.words("ALMANAC_ORIGINS", "")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "csp",
    # Before the account library, whose templates ours replace.
    "fleet.estate",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.socialaccount",
    "allauth.socialaccount.providers.openid_connect",
    "allauth.usersessions",
    "fleet.heaters",
    "fleet.care",
    "fleet.reminders",
    "fleet.planning",
    "fleet.contracts",
    "fleet.operating",
    "fleet.pages",
    "rest_framework",
    "api",
]
MIDDLEWARE = [
    "fleet.operating.requests.SeenMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "fleet.pages.compression.CompressionMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "fleet.estate.headers.HeadersMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "fleet.estate.sessions.SessionMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "fleet.pages.typed.TypedMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "fleet.estate.access.ScopeMiddleware",
    "fleet.pages.reading.ReadingMiddleware",
]
ROOT_URLCONF = "fleet.urls"
WSGI_APPLICATION = "fleet.wsgi.application"
ASGI_APPLICATION = "fleet.asgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "builtins": ["fleet.pages.templatetags.links"],
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "fleet.pages.context.house",
            ],
        },
    }
]

_DATABASE_URL = environment.text("ALMANAC_DATABASE_URL", "" if EMBEDDED else None)
if _DATABASE_URL:
    DATABASES = {"default": environment.postgres(_DATABASE_URL)}
else:
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": DATA / "almanac.sqlite3",
            # Without IMMEDIATE a third of concurrent read-then-write transactions fail at once.
            "OPTIONS": {
                "transaction_mode": "IMMEDIATE",
                "timeout": 30,
                "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA cache_size=-64000;",
            },
        }
    }
REDIS_URL = environment.text("ALMANAC_REDIS_URL", "" if EMBEDDED else None)

AUTH_USER_MODEL = "estate.Person"
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
_VALIDATOR = "django.contrib.auth.password_validation."
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": _VALIDATOR + "UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("email", "name")},
    },
    {"NAME": _VALIDATOR + "MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": _VALIDATOR + "CommonPasswordValidator"},
    {"NAME": "fleet.estate.own_words.OwnWordsValidator"},
]
if _LEAKED := environment.readable_file("ALMANAC_LEAKED_PASSWORDS"):
    AUTH_PASSWORD_VALIDATORS.append(
        {"NAME": "fleet.estate.leaked_passwords.LeakedPasswordValidator", "OPTIONS": {"path": _LEAKED}}
    )
PASSWORD_RESET_TIMEOUT = 3600
LOGIN_URL = "pages:sign_in"
LOGIN_REDIRECT_URL = "pages:portfolio"
LOGOUT_REDIRECT_URL = "pages:sign_in"

ACCOUNT_ADAPTER = "fleet.estate.account_adapter.AccountAdapter"
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*", "password2*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
# Tries are counted in the database (fleet/estate/throttle.py): shared by all processes and kept over a restart.
ACCOUNT_RATE_LIMITS = False
MFA_ADAPTER = "fleet.estate.account_adapter.SecondFactorAdapter"
MFA_SUPPORTED_TYPES = ["totp", "webauthn", "recovery_codes"]
MFA_PASSKEY_LOGIN_ENABLED = True
MFA_TOTP_TOLERANCE = 1
MFA_FORMS = {
    "authenticate": "fleet.estate.code_forms.CodeForm",
    "reauthenticate": "fleet.estate.code_forms.CodeAgainForm",
}
MFA_TOTP_ISSUER = "Tank Almanac"
MFA_WEBAUTHN_ALLOW_INSECURE_ORIGIN = EMBEDDED
SOCIALACCOUNT_ADAPTER = "fleet.estate.account_adapter.ProviderAdapter"
SOCIALACCOUNT_LOGIN_ON_GET = False
# Single sign-on: one identity provider of the operator's, by OpenID Connect.
SOCIALACCOUNT_PROVIDERS = {}
if _PROVIDER := environment.text("ALMANAC_OIDC_URL", ""):
    SOCIALACCOUNT_PROVIDERS["openid_connect"] = {
        "APPS": [
            {
                "provider_id": "single-sign-on",
                "name": environment.text("ALMANAC_OIDC_NAME", "your organisation"),
                "client_id": environment.text("ALMANAC_OIDC_CLIENT"),
                "secret": environment.text("ALMANAC_OIDC_SECRET"),
                "settings": {"server_url": _PROVIDER, "oauth_pkce_enabled": True},
            }
        ]
    }

LANGUAGE_CODE = "en-us"
TIME_ZONE = "UTC"
USE_TZ = True
USE_I18N = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

STATIC_URL = "static/"
STATIC_ROOT = Path(environment.text("ALMANAC_STATIC", str(DATA / "static")))
WHITENOISE_USE_FINDERS = EMBEDDED
if not EMBEDDED:
    # Names with a digest of the content: browsers keep them for ever and never show an old one.
    STORAGES = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
    }
MEDIA_ROOT = DATA / "files"

# Behind TLS the cookies and the transport are locked down; the embedded mode serves plain HTTP on loopback only.
TLS = environment.flag("ALMANAC_TLS", not EMBEDDED)
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = SECURE_SSL_REDIRECT = TLS
SECURE_HSTS_SECONDS = 31_536_000 if TLS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = TLS
SECURE_PROXY_SSL_HEADER = (
    ("HTTP_X_FORWARDED_PROTO", "https") if environment.flag("ALMANAC_PROXY", False) else None
)
# A program that sends its token in the clear is told so and not led on (fleet/estate/headers.py).
SECURE_REDIRECT_EXEMPT = [r"^health$", r"^ready$", r"^metrics$", r"^api/"]
SESSION_COOKIE_HTTPONLY = True
# The prefix makes a browser refuse the cookie from a neighbouring host or without TLS.
SESSION_COOKIE_NAME = "__Host-almanac" if TLS else "almanac"
# A crew's phone stays signed in over a weekend; nobody stays signed in for good.
SESSION_COOKIE_AGE = int(timedelta(days=14).total_seconds())
SESSION_IDLE_SECONDS = environment.number("ALMANAC_SESSION_IDLE_HOURS", 96) * 3600
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
CSRF_FAILURE_VIEW = "fleet.pages.errors.stale_form"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "form-action": ["'self'"],
        "manifest-src": ["'self'"],
        "worker-src": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}

DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 2**20
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 2**20
IMPORT_MAX_BYTES = environment.number("ALMANAC_IMPORT_MAX_MB", 50) * 2**20
FILE_SCANNER = environment.text("ALMANAC_FILE_SCANNER", "")
REQUEST_MAX_BYTES = max(IMPORT_MAX_BYTES, 20 * 2**20) + 2**20

# Links in mails, feeds and web hooks begin with this: the pages' address as people reach them.
ADDRESS = environment.text("ALMANAC_ADDRESS", "http://127.0.0.1:8014").rstrip("/")
ADDRESS_SET_UP = bool(environment.text("ALMANAC_ADDRESS", ""))
EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
EMAIL_HOST = environment.text("ALMANAC_SMTP_HOST", "localhost")
MAIL_SET_UP = bool(environment.text("ALMANAC_SMTP_HOST", ""))
EMAIL_PORT = environment.number("ALMANAC_SMTP_PORT", 25)
EMAIL_HOST_USER = environment.text("ALMANAC_SMTP_USER", "")
EMAIL_HOST_PASSWORD = environment.text("ALMANAC_SMTP_PASSWORD", "")
_SMTP_SECURITY = environment.choice("ALMANAC_SMTP_SECURITY", ("none", "starttls", "tls"), "none")
EMAIL_USE_TLS, EMAIL_USE_SSL = _SMTP_SECURITY == "starttls", _SMTP_SECURITY == "tls"
EMAIL_TIMEOUT = environment.number("ALMANAC_SMTP_TIMEOUT_SECONDS", 20)
DEFAULT_FROM_EMAIL = SERVER_EMAIL = environment.text("ALMANAC_MAIL_FROM", "Tank Almanac <almanac@localhost>")
# A sending begun and never ended is shown as uncertain after the first; one only being written goes back in line
# after the second; the third is the first pause before another try.
DELIVERY_STALE_SECONDS = environment.number("ALMANAC_DELIVERY_STALE_SECONDS", 600)
DELIVERY_TAKEN_SECONDS = environment.number("ALMANAC_DELIVERY_TAKEN_SECONDS", 180)
DELIVERY_PAUSE_SECONDS = environment.number("ALMANAC_DELIVERY_PAUSE_SECONDS", 60)
HOOKS_TO_PRIVATE = environment.flag("ALMANAC_HOOKS_TO_PRIVATE", False)
# Hosts that web hooks may call; one with a dot before it stands for all below it. None: any public one.
CALLS_TO = environment.words("ALMANAC_CALLS_TO", "")

# The queue is a bell and the database the truth: late acknowledgement and reject-on-lost so that a killed
# worker rings again, and a visibility timeout (in all three places) above twice the hard limit so that a
# long job does not ring twice.
WORKER_SILENT_SECONDS = environment.number("ALMANAC_WORKER_SILENT_SECONDS", 300)
TICK_SECONDS = environment.number("ALMANAC_TICK_SECONDS", 60)
JOB_HARD_LIMIT_SECONDS = environment.number("ALMANAC_JOB_HARD_LIMIT_SECONDS", 3600)
_VISIBILITY = {"visibility_timeout": JOB_HARD_LIMIT_SECONDS * 2 + 600, "unacked_restore_throttle": 1}
CELERY = {
    "broker_url": REDIS_URL or "memory://",
    "broker_transport_options": _VISIBILITY,
    "result_backend_transport_options": _VISIBILITY,
    "visibility_timeout": _VISIBILITY["visibility_timeout"],
    "task_ignore_result": True,
    "task_acks_late": True,
    "task_reject_on_worker_lost": True,
    "worker_prefetch_multiplier": 1,
    "worker_hijack_root_logger": False,
    "worker_max_tasks_per_child": 200,
    "task_time_limit": JOB_HARD_LIMIT_SECONDS,
    "task_soft_time_limit": JOB_HARD_LIMIT_SECONDS - 30,
    "broker_connection_retry_on_startup": True,
    "accept_content": ["json"],
    "timezone": "UTC",
    "task_default_queue": "heavy",
    "task_routes": {"fleet.estate.jobs.tick": {"queue": "alerts"}},
    "beat_schedule": {
        "tick": {
            "task": "fleet.estate.jobs.tick",
            "schedule": float(TICK_SECONDS),
            "options": {"expires": TICK_SECONDS * 2},
        }
    },
}

LOGGING = logging_settings(EMBEDDED, environment.text("ALMANAC_LOG_LEVEL", "WARNING" if EMBEDDED else "INFO"))
TRACES_TO = environment.text("ALMANAC_TRACES_TO", "")
METRICS_TOKEN = environment.text("ALMANAC_METRICS_TOKEN", "")
# "elsewhere": the operator backs database and files up by other means, and `doctor` does not ask for `back-up`.
BACKUPS = environment.choice("ALMANAC_BACKUPS", ("here", "elsewhere"), "here")
# Shared by all processes of the full mode; the embedded mode is one process. Nothing in it is worth keeping.
if REDIS_URL:
    CACHES = {
        "default": {
            "BACKEND": "django.core.cache.backends.redis.RedisCache",
            "LOCATION": REDIS_URL,
            "KEY_PREFIX": "almanac",
        }
    }
# Requests a minute that one person or service may send to the API.
API_PER_MINUTE = environment.number("ALMANAC_API_PER_MINUTE", 3000)
