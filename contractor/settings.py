"""
Settings, every value from the environment; docs/operations.md lists each name.

With nothing set, the embedded default runs: SQLite and a file-backed broker under `var/`.
"""

import os
import secrets
from pathlib import Path

import environ

BASE_DIR = Path(__file__).resolve().parent.parent
env = environ.FileAwareEnv()

VAR_DIR = Path(env.str("VAR_DIR", default="") or BASE_DIR / "var")
# Its owner's alone: database, logs and queue hold buyers' telephones and keys.
VAR_DIR.mkdir(mode=0o700, parents=True, exist_ok=True)


def _embedded_secret() -> str:
    """Return this installation's own secret, made at first start and readable by its owner only."""
    path = VAR_DIR / "secret_key"
    try:
        with open(path, "x", opener=lambda name, flags: os.open(name, flags, 0o600)) as f:
            f.write(secrets.token_urlsafe(50))
    except FileExistsError:
        pass
    return path.read_text()


def _unless_empty(name: str, default: str) -> str:
    """Return a value of the environment; one that is set to nothing counts as not set."""
    return str(env.str(name, default="")) or default


SECRET_KEY = env.str("SECRET_KEY", default="") or _embedded_secret()
SECRET_KEY_FALLBACKS = env.list("SECRET_KEY_FALLBACKS", default=[])
DEBUG = env.bool("DEBUG", default=False)
ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]"])
CSRF_TRUSTED_ORIGINS = env.list("CSRF_TRUSTED_ORIGINS", default=[])

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "rest_framework",
    "drf_spectacular",
    "csp",
    "django_htmx",
    "contractor",
    "crews",
    "jobs",
    "inspections",
]

MIDDLEWARE = [
    "contractor.request_id.RequestIdMiddleware",
    "contractor.request_rules.RequestRulesMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "crews.views.FeedMiddleware",
    "csp.middleware.CSPMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "contractor.forged_input.ForgedInputMiddleware",
]

ROOT_URLCONF = "contractor.urls"
WSGI_APPLICATION = "contractor.wsgi.application"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "contractor" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

DATABASES = {
    "default": env.db_url_config(
        _unless_empty("DATABASE_URL", f"sqlite:///{VAR_DIR / 'girtline.sqlite3'}")
    ),
}
# The rate limit's counts are files, so that all web processes of a computer share them and a Redis
# that is down refuses nobody; what else is kept for a while, each process keeps for itself.
CACHES = {
    "default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"},
    "throttle": {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": VAR_DIR / "throttle",
        "OPTIONS": {"MAX_ENTRIES": 10_000},
    },
    # Answers of the API, up to some hundred kB each: few, and no longer than a minute.
    "answers": {
        "BACKEND": "django.core.cache.backends.locmem.LocMemCache",
        "LOCATION": "answers",
        "TIMEOUT": 60,
        "OPTIONS": {"MAX_ENTRIES": 60},
    },
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # IMMEDIATE takes the write lock at BEGIN, so that a check inside a write transaction holds.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = 60
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True

# Passwords are hashed by Argon2id; a hash of the other kind is made anew at the next sign-in.
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
_VALIDATORS = "django.contrib.auth.password_validation"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"{_VALIDATORS}.UserAttributeSimilarityValidator"},
    # Source: OWASP ASVS 4.0.3, 2.1.1.
    {"NAME": f"{_VALIDATORS}.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": f"{_VALIDATORS}.CommonPasswordValidator"},
    {"NAME": f"{_VALIDATORS}.NumericPasswordValidator"},
    {"NAME": "contractor.sign_in.TellsOfNewPassword"},
]
AUTHENTICATION_BACKENDS = ["contractor.sign_in.GuardedBackend"]

LANGUAGE_CODE = "en-us"
USE_I18N = False
USE_TZ = True
TIME_ZONE = _unless_empty("SITE_ZONE", "America/New_York")
DATE_FORMAT = "D M j, Y"
DATETIME_FORMAT = "D M j, Y H:i"

STATIC_URL = "static/"
STATIC_ROOT = VAR_DIR / "static"
WHITENOISE_USE_FINDERS = True

# Photos from the sites. No address serves this folder: a view asks who may see each.
MEDIA_ROOT = VAR_DIR / "media"
FILE_UPLOAD_PERMISSIONS = 0o600
FILE_UPLOAD_DIRECTORY_PERMISSIONS = 0o700

LOGIN_URL = "admin:login"
# Where a sign-in ends that names no page of ours to go on to.
LOGIN_REDIRECT_URL = "admin:index"

HTTPS_ONLY = env.bool("HTTPS_ONLY", default=False)
SECURE_SSL_REDIRECT = HTTPS_ONLY
SESSION_COOKIE_SECURE = HTTPS_ONLY
CSRF_COOKIE_SECURE = HTTPS_ONLY
if HTTPS_ONLY:
    # Browsers take such names from this very host over TLS alone, so that no neighbor of its domain
    # can put one there. Source: draft of RFC 6265bis, section 4.1.3.2; OWASP ASVS 4.0.3, 3.4.4.
    SESSION_COOKIE_NAME = "__Host-sessionid"
    CSRF_COOKIE_NAME = "__Host-csrftoken"
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS_ONLY else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS_ONLY
SECURE_HSTS_PRELOAD = HTTPS_ONLY
SECURE_REDIRECT_EXEMPT = [r"^health/$"]
if env.bool("BEHIND_PROXY", default=False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
BEHIND_PROXY = "SECURE_PROXY_SSL_HEADER" in vars()
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
# A sign-in ends after a work week without use, or when the browser says so; scripts never see it.
SESSION_COOKIE_AGE = 7 * 24 * 60 * 60
SESSION_SAVE_EVERY_REQUEST = False
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_HTTPONLY = True
# Nothing runs, loads or is sent elsewhere but what this service serves itself.
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:", "blob:"],  # blob: a photo shown before it is sent
        "font-src": ["'self'"],
        "connect-src": ["'self'"],
        "manifest-src": ["'self'"],
        "worker-src": ["'self'"],
        "form-action": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "jobs.api.authentication.ByToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["contractor.roles.OwnerReads"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "DEFAULT_PAGINATION_CLASS": "contractor.pagination.Pages",
    "DEFAULT_THROTTLE_CLASSES": [
        "contractor.throttling.AnonThrottle",
        "contractor.throttling.UserThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {"anon": "30/min", "user": "600/min"},
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "EXCEPTION_HANDLER": "contractor.problems.as_problem",
    # One address, one representation: `format` is a parameter like any other, and refused.
    "URL_FORMAT_OVERRIDE": None,
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Girtline owner's API",
    "DESCRIPTION": "Backlog, plans and dates of a post-frame contractor's jobs.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["contractor.roles.OwnerReads"],
    "ENUM_NAME_OVERRIDES": {"LiningEnum": "contractor.trade.kinds.Lining"},
}

# Links in feeds and printed addresses; the address the crews' phones reach.
PUBLIC_URL = _unless_empty("PUBLIC_URL", "http://localhost:8000").rstrip("/")

# The map on the web to which the crews' pages lead, by a tap only; "" is none, and phones' own
# stay. The one set is of a project of volunteers.
MAP_URL = env.str("MAP_URL", default="https://www.openstreetmap.org/search?query={where}")

REDIS_URL = env.str("REDIS_URL", default="")
if REDIS_URL:
    CELERY_BROKER_URL = REDIS_URL
    CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, int | str] = {
        "visibility_timeout": 3600,
        "socket_connect_timeout": 1,
        "socket_timeout": 5,
        "max_retries": 1,
    }
else:
    _queue = VAR_DIR / "queue"
    for _name in ("messages", "control", "processed"):
        (_queue / _name).mkdir(parents=True, exist_ok=True)
    CELERY_BROKER_URL = "filesystem://"
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(_queue / "messages"),
        "data_folder_out": str(_queue / "messages"),
        "control_folder": str(_queue / "control"),
        "processed_folder": str(_queue / "processed"),
    }
# Without a server, messages are files: whoever tries the service out can read them.
_mail = VAR_DIR / "mail"
vars().update(env.email_url_config(_unless_empty("EMAIL_URL", f"filemail://{_mail}")))
if not env.str("EMAIL_URL", default=""):
    _mail.mkdir(mode=0o700, exist_ok=True)
    EMAIL_FILE_PATH = str(_mail)
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = _unless_empty("MAIL_FROM", "Girtline <office@localhost>")

CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_TIME_LIMIT = 300
CELERY_TASK_SOFT_TIME_LIMIT = 240
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 200
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_WORKER_SOFT_SHUTDOWN_TIMEOUT = 10
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TIMEZONE = TIME_ZONE
# How often forecasts are fetched; 0 is never. An area without an address is never fetched.
WEATHER_REFRESH_MINUTES = env.int("WEATHER_REFRESH_MINUTES", default=60)
# Forecasts are else fetched from the public internet alone. On the embedded default all is on one
# computer, and a source that is tried out may be too.
_IS_EMBEDDED = DATABASES["default"]["ENGINE"].endswith("sqlite3")
_OWN_HOSTS = ["localhost", "127.0.0.1"] if _IS_EMBEDDED else []
WEATHER_PRIVATE_HOSTS = env.list("WEATHER_PRIVATE_HOSTS", default=_OWN_HOSTS)
CELERY_BEAT_SCHEDULE_FILENAME = str(VAR_DIR / "beat-schedule")
CELERY_BEAT_SCHEDULE = {
    "heartbeat": {
        "task": "jobs.tasks.heartbeat",
        "schedule": 30.0,
        "options": {"expires": 60},
    },
    **(
        {
            "refresh-weather": {
                "task": "jobs.tasks.refresh_weather",
                "schedule": 60.0 * WEATHER_REFRESH_MINUTES,
                "options": {"expires": 60 * WEATHER_REFRESH_MINUTES},
            }
        }
        if WEATHER_REFRESH_MINUTES
        else {}
    ),
    "sweep-task-requests": {
        "task": "jobs.tasks.sweep_task_requests",
        "schedule": 60.0,
        "options": {"expires": 120},
    },
    "send-notices": {
        "task": "jobs.tasks.send_notices",
        "schedule": 60.0,
        "options": {"expires": 120},
    },
    # Readers come back hourly at the soonest that we ask for.
    "refresh-calendars": {
        "task": "jobs.tasks.refresh_calendars",
        "schedule": 900.0,
        "options": {"expires": 900},
    },
    "forget-old-drafts": {
        "task": "jobs.tasks.forget_old_drafts",
        "schedule": 3600.0,
        "options": {"expires": 3600},
    },
    "forget-leftovers": {
        "task": "jobs.tasks.forget_leftovers",
        "schedule": 3600.0,
        "options": {"expires": 3600},
    },
    "sweep-plan-requests": {
        "task": "jobs.tasks.sweep_plan_requests",
        "schedule": 60.0,
        "options": {"expires": 120},
    },
}

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {
        "line": {
            "class": "contractor.logs.KeylessFormatter",
            "format": "%(asctime)s %(levelname)s %(name)s [%(number)s] %(message)s",
        },
        "json": {"class": "contractor.logs.JsonFormatter"},
    },
    "filters": {"refusals": {"()": "contractor.logs.RefusalsInOneLine"}},
    "handlers": {
        "console": {
            "class": "logging.StreamHandler",
            "filters": ["refusals"],
            "formatter": env.str("LOG_FORMAT", default="line"),
        }
    },
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", default="INFO")},
}
