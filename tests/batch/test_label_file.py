"""Label pictures as OME-TIFF that other programs read."""

import io
import xml.etree.ElementTree as ET

import numpy as np
import tifffile

from micro.batch.job import label_file
from micro.geometry.runs import find_runs


def file_of(labels, name, um_per_px):
    """File of labels as a worker writes it."""
    return label_file(labels, find_runs(labels, int(labels.max())), name, um_per_px)


def test_labels_come_back_with_their_scale():
    """The numbers are exact, the size of a pixel stands in the OME metadata, names are escaped."""
    labels = np.arange(2000, dtype=np.int32).reshape(40, 50)[5:, 3:]
    with tifffile.TiffFile(io.BytesIO(file_of(labels, 'é <"&', 0.2))) as file:
        assert np.array_equal(file.asarray(), labels)
        assert file.asarray().dtype == np.int32
        pixels = next(e for e in ET.fromstring(file.ome_metadata).iter() if e.tag.endswith("}Pixels"))
    assert (pixels.attrib["PhysicalSizeX"], pixels.attrib["PhysicalSizeXUnit"]) == ("0.2", "µm")


def test_the_same_labels_give_the_same_bytes():
    """No date and no random identity stands in the file."""
    labels = np.ones((30, 40), np.int32)
    assert file_of(labels, "f", 0.1) == file_of(labels, "f", 0.1)
    assert file_of(labels, "f", 0.1) != file_of(2 * labels, "f", 0.1)
