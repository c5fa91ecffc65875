# Two stages: packages are put in with uv, then only the environment and the code are kept; runs as nobody special.
FROM python:3.13-slim AS build
RUN pip install --no-cache-dir uv
WORKDIR /almanac
COPY pyproject.toml uv.lock ./
ENV UV_COMPILE_BYTECODE=1 UV_LINK_MODE=copy UV_PYTHON_DOWNLOADS=never
ARG EXTRA=""
RUN uv sync --frozen --no-install-project $EXTRA

FROM python:3.13-slim
LABEL org.opencontainers.image.title="Tank Almanac" org.opencontainers.image.licenses="Apache-2.0"
RUN useradd --system --no-create-home --home-dir /nonexistent --uid 10014 almanac
WORKDIR /almanac
COPY --from=build /almanac/.venv .venv
COPY manage.py pyproject.toml LICENSE README.md ./
COPY fixtures fixtures
COPY forecasting forecasting
COPY fleet fleet
COPY api api
ENV PATH=/almanac/.venv/bin:$PATH PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 HOME=/tmp \
    ALMANAC_MODE=full ALMANAC_DATA=/almanac-data ALMANAC_STATIC=/almanac/static
RUN ALMANAC_MODE=full ALMANAC_DATA=/tmp/build ALMANAC_SECRET_KEY=only-while-building \
    ALMANAC_DATABASE_URL=postgresql://none@none/none ALMANAC_REDIS_URL=redis://none:6379/0 \
    python manage.py collectstatic --noinput && rm -rf /tmp/build \
    && mkdir /almanac-data && chown almanac /almanac-data
USER almanac
VOLUME /almanac-data
EXPOSE 8014
CMD ["gunicorn", "-c", "python:fleet.operating.gunicorn_settings", "fleet.wsgi:application"]
