"""Random worlds: does the analysis hold where its assumptions were drawn by lot?

Nothing here shares code with the package but the call of `pipeline.analyse`. `draw` draws a
world's parameters, `world` makes its frames and its true values, `hostile` names fixed kinds,
`study` analyses many of either, `reading` says how often the analysis was right.
"""
