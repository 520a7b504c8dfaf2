"""Every setting, in one flat file. What can be changed from outside is a `HEAPLEDGER_…` variable.

Three modes. `demo` (the default) needs nothing but Python: SQLite, a broker of plain files and a
generated secret, all under the data folder, answering this machine alone. `production` assumes
nothing: `config/checks.py` refuses to start it with a part of the demo left in. `test` is for the suite.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from config import content_security, env
from config.secret import secret_key

BASE_DIR = Path(__file__).resolve().parent.parent

MODE = env.choice("MODE", "demo", ("demo", "production", "test"))
IN_PRODUCTION = MODE == "production"
DATA_DIR = env.folder("DATA_DIR", BASE_DIR / "var")
BIND = env.text("BIND", "127.0.0.1")
PORT = env.whole("PORT", 8000, 1, 65535)
WEB_THREADS = env.whole("WEB_THREADS", 8, 1, 256)
DEBUG = env.flag("DEBUG", False)

# --- secrets -------------------------------------------------------------------------------------

SECRET_KEY = secret_key(MODE, env.text("SECRET_KEY"), DATA_DIR)
SECRET_KEY_FALLBACKS = env.words("SECRET_KEY_FALLBACKS")

# --- who may call --------------------------------------------------------------------------------

# The demo answers this machine alone, so that a forgotten mode is no open door.
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", () if IN_PRODUCTION else ("127.0.0.1", "localhost", "[::1]"))
CSRF_TRUSTED_ORIGINS = env.words("TRUSTED_ORIGINS")
BEHIND_TLS_PROXY = env.flag("BEHIND_TLS_PROXY", False)
# Printed on certificates as they are issued; what was printed stays.
PUBLIC_ADDRESS = env.text("PUBLIC_ADDRESS") or next(iter(CSRF_TRUSTED_ORIGINS), f"http://127.0.0.1:{PORT}")

# --- the rooms -----------------------------------------------------------------------------------

INSTALLED_APPS = [
    "config.apps.WiringConfig",
    "inventory",
    "surveys",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django_htmx",
    "django_filters",
    "rest_framework",
    "knox",
    "drf_spectacular",
    "csp",
]
AUTH_USER_MODEL = "inventory.User"
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
]

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
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

# --- the database --------------------------------------------------------------------------------

DATABASES = {"default": env.database("DATABASE_URL", f"sqlite:///{DATA_DIR}/heapledger.sqlite3", BASE_DIR)}

# --- time and language ---------------------------------------------------------------------------

TIME_ZONE = "UTC"
USE_TZ = True
LANGUAGE_CODE = "en"
USE_I18N = False

# --- signing in ----------------------------------------------------------------------------------

LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/sign-in/"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]

# --- files that people send ----------------------------------------------------------------------

UPLOAD_LIMIT_BYTES = env.whole("UPLOAD_LIMIT_MB", 200, 1, 4096) * 1024 * 1024
# A larger file goes to disk while it arrives; fields beside the file stay small.
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FILES = 60
FILE_UPLOAD_PERMISSIONS = 0o640

EVIDENCE_S3_BUCKET = env.text("S3_BUCKET")

STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "evidence": {
        "BACKEND": "django.core.files.storage.FileSystemStorage",
        "OPTIONS": {"location": DATA_DIR / "evidence", "file_permissions_mode": 0o440},
    },
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
if EVIDENCE_S3_BUCKET:
    STORAGES["evidence"] = {
        "BACKEND": "storages.backends.s3.S3Storage",
        "OPTIONS": {
            "bucket_name": EVIDENCE_S3_BUCKET,
            "endpoint_url": env.text("S3_ENDPOINT"),
            "access_key": env.text("S3_ACCESS_KEY"),
            "secret_key": env.text("S3_SECRET_KEY"),
            # Evidence is write-once: a second file of the same name must never replace the first.
            "file_overwrite": False,
            "default_acl": None,
        },
    }

# --- scripts, styles and pictures ----------------------------------------------------------------

# No build step: WhiteNoise finds the files where they lie, in the app and in the packages that carry
# them. Production collects them once, with hashed names that a browser may keep for ever.
STATIC_URL = "/static/"
STATIC_ROOT = env.folder("STATIC_DIR", DATA_DIR / "static") if IN_PRODUCTION else None
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "config.static.PackageFileFinder",
]
WHITENOISE_USE_FINDERS = not IN_PRODUCTION
WHITENOISE_AUTOREFRESH = DEBUG
if IN_PRODUCTION:
    STORAGES["staticfiles"] = {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"}

# --- what a browser is told ----------------------------------------------------------------------

CONTENT_SECURITY_POLICY = content_security.POLICY
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 12 * 3600
CSRF_COOKIE_SAMESITE = "Lax"
# htmx reads the token from the page, so no script needs the cookie.
CSRF_COOKIE_HTTPONLY = True
if IN_PRODUCTION:
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-session"
    CSRF_COOKIE_NAME = "__Host-csrf"
    SECURE_SSL_REDIRECT = True
    SECURE_REDIRECT_EXEMPT = [r"^healthz$"]
    SECURE_HSTS_SECONDS = env.whole("HSTS_SECONDS", 31_536_000, 0, 63_072_000)
if BEHIND_TLS_PROXY:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

# --- the API -------------------------------------------------------------------------------------

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "knox.auth.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "surveys.api.problems.answer",
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
}
REST_KNOX = {
    "SECURE_HASH_ALGORITHM": "hashlib.sha512",
    "TOKEN_TTL": timedelta(days=90),
    "AUTH_HEADER_PREFIX": "Bearer",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Heapledger",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "DESCRIPTION": "Measured stock of bulk material: from survey files to tonnes in the book.",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "MeasurementStateEnum": "surveys.models.measuring.State",
        "FileStateEnum": "surveys.models.SurveyFile.State",
        "ReductionStateEnum": "surveys.models.BookReduction.State",
        "DensityStateEnum": "inventory.models.DensityRecord.State",
        "PeriodStateEnum": "inventory.models.Period.State",
        "AdjustmentStateEnum": "inventory.models.Adjustment.State",
        "ImportStateEnum": "inventory.models.MovementImport.State",
        "MovementKindEnum": "inventory.models.Movement.Kind",
        "RecordedKindEnum": "inventory.api.movements.RECORDED",
        "ScaleKindEnum": "inventory.models.Scale.Kind",
        "ReadUnitEnum": "surveys.models.evidence.LENGTH_UNITS",
        "WeighedUnitEnum": "inventory.api.movements.UNITS",
        "HazardKindEnum": "inventory.models.PileHazard.Kind",
        "UnitValueKindEnum": "inventory.models.UnitValue.Kind",
    },
}

# --- jobs ----------------------------------------------------------------------------------------

# The database row is the truth; a message is only a doorbell, and may be lost or ring twice.
BROKER_DIR = DATA_DIR / "broker"
CELERY_BROKER_URL = env.broker("BROKER_URL", "filesystem://localhost//")
BROKER_IS_EMBEDDED = CELERY_BROKER_URL.startswith("filesystem:")
if BROKER_IS_EMBEDDED:
    CELERY_BROKER_TRANSPORT = "config.broker:Transport"
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(BROKER_DIR / "queue"),
        "data_folder_out": str(BROKER_DIR / "queue"),
        "processed_folder": str(BROKER_DIR / "processed"),
        "control_folder": str(BROKER_DIR / "control"),
        "store_processed": True,
        # The transport's own second of rest would be longer than most measurements take.
        "polling_interval": 0.1,
    }
else:
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "confirm_publish": True,
        "max_retries": 1,
        "interval_start": 0,
        "interval_step": 0.2,
        "interval_max": 0.2,
    }
# An upload waits at most this long for a broker that is down; the sweeper rings again later.
CELERY_BELL_TIMEOUT_SECONDS = 2
CELERY_BROKER_CONNECTION_TIMEOUT = CELERY_BELL_TIMEOUT_SECONDS
CELERY_BROKER_CONNECTION_RETRY = True
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_MAX_RETRIES = None
CELERY_TASK_PUBLISH_RETRY = False
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_RESULT_BACKEND = None
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
# Long jobs release what the allocator hoards: a child is replaced after so many tasks.
CELERY_WORKER_MAX_TASKS_PER_CHILD = 200
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = False
CELERY_WORKER_ENABLE_REMOTE_CONTROL = not BROKER_IS_EMBEDDED
CELERY_WORKER_SEND_TASK_EVENTS = False
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TASK_DEFAULT_QUEUE = env.text("QUEUE", "heapledger")
CELERY_ENABLE_UTC = True
CELERY_TIMEZONE = "UTC"
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "beat-schedule")
CELERY_BEAT_SCHEDULE = {
    # `expires`: after a pause of the worker one stroke is enough, not every one that was missed.
    "sweep": {"task": "surveys.tasks.sweep", "schedule": 30.0, "options": {"expires": 25}},
    "worker-beat": {"task": "surveys.tasks.worker_beat", "schedule": 20.0, "options": {"expires": 15}},
    "due-alerts": {"task": "surveys.tasks.raise_due_alerts", "schedule": 900.0, "options": {"expires": 600}},
    "mail-alerts": {"task": "surveys.tasks.mail_alerts", "schedule": 1800.0, "options": {"expires": 1500}},
    "forget-parsed": {"task": "surveys.tasks.forget_parsed", "schedule": 9e4, "options": {"expires": 3600}},
}
# Approved measurements worked out again each night (`config/celery.py`), in turn; 0 for none.
VERIFY_NIGHTLY = env.whole("VERIFY_NIGHTLY", 25, 0, 100_000)
# A worker renews its lease while it lives; a job whose lease ran out is free for the next one.
JOB_LEASE = timedelta(seconds=env.whole("JOB_LEASE_SECONDS", 60, 1, 86_400))
JOB_ATTEMPTS = 3
BELL_RINGS_AGAIN_AFTER = timedelta(seconds=env.whole("BELL_AGAIN_SECONDS", 60, 1, 86_400))
WORKER_PROCESSES = env.whole("WORKER_PROCESSES", 2, 1, 64)
WORKER_SILENT_AFTER = timedelta(seconds=90)

# --- e-mail --------------------------------------------------------------------------------------

# `console` writes each message where the worker writes its log; `none` sends nothing.
MAIL_BY = env.choice("MAIL", "console", ("console", "smtp", "none"))
_MAIL_BACKENDS = {"console": "console", "smtp": "smtp", "none": "dummy"}
EMAIL_BACKEND = f"django.core.mail.backends.{_MAIL_BACKENDS[MAIL_BY]}.EmailBackend"
EMAIL_HOST = env.text("MAIL_HOST", "127.0.0.1")
EMAIL_PORT = env.whole("MAIL_PORT", 587, 1, 65_535)
EMAIL_HOST_USER = env.text("MAIL_USER", "")
EMAIL_HOST_PASSWORD = env.text("MAIL_PASSWORD", "")
EMAIL_USE_TLS = env.flag("MAIL_TLS", True)
EMAIL_TIMEOUT = 10
DEFAULT_FROM_EMAIL = env.text("MAIL_FROM", "heapledger@localhost")

# --- logs ----------------------------------------------------------------------------------------

LOG_LEVEL = env.choice("LOG_LEVEL", "INFO", ("DEBUG", "INFO", "WARNING", "ERROR"))
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": LOG_LEVEL},
    "loggers": {
        # Without this Django's own handlers would stay: they mail the administrators of a demo.
        "django": {"handlers": [], "propagate": True},
        # Whoever tries other host names is refused; a traceback for each would fill the log.
        "django.security.DisallowedHost": {"level": "CRITICAL"},
        # One line a beat says nothing to whoever reads the log of a yard.
        "celery.beat": {"level": "WARNING"},
        "celery.worker.strategy": {"level": "WARNING"},
        "celery.app.trace": {"level": "WARNING"},
    },
}
