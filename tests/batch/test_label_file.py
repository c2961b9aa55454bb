"""Label pictures as OME-TIFF that other programs read."""

import io
import xml.etree.ElementTree as ET

import numpy as np
import tifffile

from micro.batch.job import label_file


def test_labels_come_back_with_their_scale():
    """The numbers are exact, the size of a pixel stands in the OME metadata, names are escaped."""
    labels = np.arange(2000, dtype=np.int32).reshape(40, 50)[5:, 3:]
    with tifffile.TiffFile(io.BytesIO(label_file(labels, 'é <"&', 0.2))) as file:
        assert np.array_equal(file.asarray(), labels)
        assert file.asarray().dtype == np.int32
        pixels = next(e for e in ET.fromstring(file.ome_metadata).iter() if e.tag.endswith("}Pixels"))
    assert (pixels.attrib["PhysicalSizeX"], pixels.attrib["PhysicalSizeXUnit"]) == ("0.2", "µm")


def test_the_same_labels_give_the_same_bytes():
    """No date and no random identity stands in the file."""
    labels = np.ones((30, 40), np.int32)
    assert label_file(labels, "f", 0.1) == label_file(labels, "f", 0.1)
    assert label_file(labels, "f", 0.1) != label_file(2 * labels, "f", 0.1)
