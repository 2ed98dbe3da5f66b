"""The report: one self-contained HTML file for each asset.

`gather` brings an asset's samples, verdicts and events together (`model`),
`headline` says in plain words what they mean, `pictures` draws them, `page` writes the file.
"""
