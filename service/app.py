"""create_app: the only assembly of the API."""

from __future__ import annotations

from importlib import import_module

from flask import Flask

from service import problems, queue
from service.api import answers, health, openapi, unread
from service.config import Config
from service.store import pool

#: One module of service.api for each noun; each exposes `blueprint`.
NOUNS = (
    "sites",
    "tool_types",
    "calibrations",
    "gauges",
    "gauge_studies",
    "masters",
    "tools",
    "components",
    "fittings",
    "build",
    "usage",
    "inspections",
    "parked",
    "gauge_exports",
    "layouts",
    "assessments",
    "assessments_export",
    "derivation",
    "status",
    "changes",
    "history",
    "wear_models",
    "forecast_records",
    "outlook",
    "leak_estimates",
    "forecast_estimates",
)


def create_app(config: Config | None = None) -> Flask:
    """Return the API, ready to serve.

    Parameters
    ----------
    config : Config, optional
        Where PostgreSQL and Redis are, and the limits; by default from the environment.
    """
    app = Flask("service", static_folder=None)
    configure(app, config or Config.from_env())
    app.json = answers.Json(app)
    app.url_map.strict_slashes = False
    api = openapi.make_api(app)
    problems.register(app)
    unread.register(app)
    app.register_blueprint(health.blueprint)
    for noun in NOUNS:
        api.register_blueprint(import_module(f"service.api.{noun}").blueprint)
    openapi.serve(app, api)
    return app


def configure(app: Flask, config: Config) -> None:
    """Say where PostgreSQL and Redis are, and the limits; opens nothing."""
    queue.configure(config.redis_url)
    pool.configure(config, config.api_threads + 1)
    app.config["THREADS"] = config.api_threads
    app.config["REDIS_URL"] = config.redis_url
    app.extensions["stripdown"] = config
