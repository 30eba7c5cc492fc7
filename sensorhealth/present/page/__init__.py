"""The parts of the report page: what stands on it, in which order, and how tables and pictures get into one file."""
