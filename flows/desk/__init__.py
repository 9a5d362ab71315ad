"""The desk: pages for site leads, the coordinator and analysts.

Nothing here writes to the warehouse but the coordinator's own decisions and releases, which
take their turn like a command does. A lead's sheet goes to the inbox and a lead's answer to
``warehouse/answers``, where the next run finds them.
"""
