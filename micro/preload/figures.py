"""For workers that draw."""

import gc

import cv2

import micro.figures.specimens  # noqa: F401
from micro.figures.style import place, rendered, styled

# Threads of the picture library do not outlive a fork, and a worker that ends them would wait for ever.
cv2.setNumThreads(1)

# The first figure of a process loads what draws, its fonts and the shapes of their letters, be it ever so low.
with styled(2, height_in=1.0) as (figure, axes):
    axes[0].set(xscale="log", xlabel="ECD, µm", ylabel="%")
    axes[1].imshow([[0.0, 1.0]], cmap="gray", interpolation="bilinear")
    place(figure)
    rendered(figure, "svg")
    rendered(figure, "png")

# What is loaded here stays. To look through it for what can go costs each worker a tenth of a second.
gc.freeze()
