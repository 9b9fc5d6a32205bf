"""The public names: a team folder, frames or a test day in, tables out. Knows no command."""
