# syntax=docker/dockerfile:1
# One image for web server, worker and scheduler; docker-compose.yml tells them apart.

FROM python:3.11-slim-bookworm AS packages
COPY requirements.lock /tmp/requirements.lock
# Every package comes as a wheel with a known hash: no compiler in this image, no build of somebody's code.
RUN python -m venv /opt/heapledger \
 && /opt/heapledger/bin/pip install --no-cache-dir --no-deps --require-hashes --only-binary :all: \
      --requirement /tmp/requirements.lock

FROM python:3.11-slim-bookworm
RUN useradd --uid 10001 --user-group --no-create-home --shell /usr/sbin/nologin heapledger \
 && install -d -o heapledger -g heapledger \
      /srv/heapledger /srv/static /srv/data /srv/data/tmp /var/cache/heapledger
COPY --from=packages /opt/heapledger /opt/heapledger
ENV PATH=/opt/heapledger/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    PYTHONDONTWRITEBYTECODE=1 \
    NUMBA_CACHE_DIR=/var/cache/heapledger \
    HEAPLEDGER_STATIC_DIR=/srv/static \
    HEAPLEDGER_DATA_DIR=/srv/data \
    # Files on their way in go to the volume: /tmp is memory in docker-compose.yml.
    TMPDIR=/srv/data/tmp
WORKDIR /srv/heapledger
COPY manage.py ./
COPY config config
COPY inventory inventory
COPY surveys surveys
COPY compute compute
COPY templates templates
COPY examples examples
USER heapledger
# The loops are compiled here once. On another kind of processor they are compiled again, into the same folder.
RUN python manage.py measure examples/north-pile.csv --base examples/north-pad.csv \
 && python manage.py measure examples/north-pile.csv --density 1.6 \
 && rm /srv/data/secret-key
# The key signs nothing here: collecting files needs the production settings, which refuse to start without one.
RUN HEAPLEDGER_SECRET_KEY=only-while-building \
    HEAPLEDGER_MODE=production \
    HEAPLEDGER_DATABASE_URL=postgresql://nobody@nowhere/nothing \
    HEAPLEDGER_BROKER_URL=amqp://nowhere// \
    python manage.py collectstatic --noinput --verbosity 0
ENV HEAPLEDGER_MODE=production \
    HEAPLEDGER_BIND=0.0.0.0
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=10s --start-period=60s \
  CMD ["python", "-m", "config.ask_health"]
CMD ["python", "-m", "config.web"]
