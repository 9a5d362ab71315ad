"""The network's language: fields, units, taxa, protocols, flags, identity, settings.

Pure values. Nothing here opens a file of a network, a database or a socket, and
nothing here imports ``checks``, ``warehouse`` or ``flows``.
"""
