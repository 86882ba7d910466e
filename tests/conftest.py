"""The fixtures are in `tests/plugins`, one module for each thing that tests need."""

pytest_plugins = [
    "tests.plugins.parallel",
    "tests.plugins.servers",
    "tests.plugins.database",
    "tests.plugins.broker",
    "tests.plugins.api",
    "tests.plugins.fleet",
    "tests.plugins.exports",
    "tests.plugins.proxy",
    "tests.plugins.live",
]
