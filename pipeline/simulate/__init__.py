"""A world that makes laps: cars, tyres, rubber, weather, drivers and traffic, not a regression.

`world.run` gives the laps, `truth.truth` what an option really does in them (the same world
with and without it), `folder.write_team_folder` a team folder as a team would have it.
"""
