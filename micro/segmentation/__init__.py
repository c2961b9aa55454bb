"""From grey levels to carbides: shading, levels, outline, split."""
