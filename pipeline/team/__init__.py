"""The team folder: read, validated once, immutable after. Knows nothing of laps."""
