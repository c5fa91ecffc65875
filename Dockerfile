# Two stages: packages are put in with uv, then only the environment and the code are kept; runs as nobody special.
FROM python:3.13-slim AS build
RUN pip install --no-cache-dir uv
WORKDIR /almanac
COPY pyproject.toml uv.lock ./
ENV UV_COMPILE_BYTECODE=1 UV_LINK_MODE=copy UV_PYTHON_DOWNLOADS=never
RUN uv sync --frozen --no-install-project

FROM python:3.13-slim
RUN useradd --system --create-home --uid 10014 almanac
WORKDIR /almanac
COPY --from=build /almanac/.venv .venv
COPY manage.py pyproject.toml LICENSE README.md ./
COPY fleet fleet
COPY forecasting forecasting
COPY api api
COPY fixtures fixtures
ENV PATH=/almanac/.venv/bin:$PATH PYTHONUNBUFFERED=1 ALMANAC_MODE=full ALMANAC_DATA=/almanac-data
RUN mkdir /almanac-data && chown almanac /almanac-data
USER almanac
VOLUME /almanac-data
EXPOSE 8014
CMD ["gunicorn", "-c", "python:fleet.operating.gunicorn_settings", "fleet.wsgi:application"]
