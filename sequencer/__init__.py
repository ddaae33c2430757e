"""The engine: reads sequences and benches, proves them, runs checks on a safe bench and keeps the results."""

__version__ = "0.1.0"
