"""Benchmarks, run by hand. Each compares with a floor measured in the same run; medians of several runs."""
