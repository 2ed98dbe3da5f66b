"""The bench: step test, model, controller gains, margins, and the file and picture that keep them.

trace -> observations -> identify -> simc, margins -> proposal -> tuning_file, picture. Only `bench` talks to
a board. Nothing here prints.
"""
