"""Samples judged: a log to verdicts, their sums, what counts allow to be said, and one asset's history."""
