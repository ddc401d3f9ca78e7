"""Benchmarks of whole runs: ratios of time against other ways, memory, growth and start-up."""
