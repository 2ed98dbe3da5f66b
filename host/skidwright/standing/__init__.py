"""How each quantity of a machine stands against what is asked of it: decided here, once, worded elsewhere.

`goals` says what is asked; `particles` and `water` decide each quantity (met, not met, open, no goal);
`urgency` says how soon a person is needed and why, `sureness` how far all of it may be relied on;
`standing` brings one machine's answers together at a moment that is handed in. `words` and `plain` put them
into words and plain rows. Nobody else compares a value with a limit.
"""
