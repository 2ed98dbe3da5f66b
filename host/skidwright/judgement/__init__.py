"""Judgement over time: what the samples of an asset say together that no single one says.

`points` makes few robust points out of many samples; `changes`, `trend`, `charts` and `forecast` work on
those, `hints` on what happened; `judge` brings one asset's answers together. How it stands now, and how
soon a person is needed, is decided in `skidwright.standing`. How each figure is got, how
often it errs and what it cannot see: docs/judgement.md.
"""
