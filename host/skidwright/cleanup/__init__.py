"""Judging a clean-up run: how particles and water fall, to what floor, and when it will be done."""
