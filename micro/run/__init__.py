"""A study from pictures to results, and the run again."""
