"""Judgement over time: what the samples of an asset say together that no single one says.

`points` makes few robust points out of many samples; `changes`, `trend`, `charts` and `forecast` work on
those, `targets` and `wetness` on the newest valid samples, `hints` on what happened; `judge` brings one
asset's answers together and `attention` ranks assets by what needs a person. How each figure is got, how
often it errs and what it cannot see: docs/judgement.md.
"""
