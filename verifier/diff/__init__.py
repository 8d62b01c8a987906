"""Two sorted streams of sightings merged and judged.  Pure: no I/O, no clock."""
