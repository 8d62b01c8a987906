"""Readers on other machines: the workers of a Dask cluster that mount the same places.

The calling machine walks, judges and keeps the ledger; the workers read and hash the same batches
that processes of one machine would.  A module knows only those below it::

    engine               the caller's side: lanes, the bell, what happens when a worker is lost
    connection           the scheduler reached, its workers seen to be fit, messages to them
    worker               a worker's side: batches read to their orders
    alike                whether a worker sees the tree that the caller sees
    orders               what travels between them
    library              whether what it needs is installed, which is an extra

Nothing here may write to a place, nor let a worker read one that it has not been seen to share.
"""
