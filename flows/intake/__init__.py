"""The intake: reading, recognising and standardizing the count sheets that volunteers send.

:mod:`reading` turns bytes into sheets of cells, :mod:`recognising` says what each column
means, :mod:`standardizing` yields the staged rows, and :mod:`account` tells people what
was understood.
"""
