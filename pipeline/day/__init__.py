"""The day as it happens: logbooks out and in, and a folder that is watched.

Knows the team folder, the store and the runs; nothing of models.
"""
