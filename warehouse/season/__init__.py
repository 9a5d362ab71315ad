"""Season estimates, read from a release: one module an estimate.

Nothing here is published as data: an estimate is made anew from the release it names, and
the same release gives the same numbers.
"""
