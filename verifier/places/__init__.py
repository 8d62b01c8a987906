"""Where a share's trees are read.  Only this package opens a share's files, read-only."""
