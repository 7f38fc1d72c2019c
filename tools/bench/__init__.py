"""Benchmarks that print their bars."""
