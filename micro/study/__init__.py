"""The study: which specimens, which pictures, how they are measured."""
