"""The report page, its figures and the record of the run."""
