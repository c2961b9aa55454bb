"""A person's acts on the outlines of fields: the page they are made on, the file that holds them, their use."""
