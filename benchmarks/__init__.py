"""Measurements that are run by hand, one module a topic: `python -m benchmarks.<topic> [--format json]`."""
