"""Every kind of trouble of a field, once: its flag, its severity, and the words for its values and for what to do."""

from __future__ import annotations

from dataclasses import dataclass
from string import Formatter

SEVERITIES = {
    "note": "to know; no number is in doubt",
    "doubt": "numbers may be off; their interval is wider where it is known by how much",
    "unknown": "no number can be told",
}


@dataclass(frozen=True)
class Kind:
    """One kind of trouble of a field.

    Parameters
    ----------
    flag
        Name in the column `flags`; kinds that mean the same for the reader share it.
    name
        Of the kind, unique.
    severity
        Of `SEVERITIES`.
    says, do
        Templates of what was found and of what to do about it; each name in braces is a value of the issue. Beside the
        usual format specifications there are `.1p` (a share in percent), `one|many` (by a number), `places`, `scales`.
        `half_width` is by how much the number named may be off, as a share of it: by it issues are put in order.
    """

    flag: str
    name: str
    severity: str
    says: str
    do: str = ""

    @property
    def template(self) -> str:
        """What is said and what to do, together."""
        return f"{self.says} {self.do}".rstrip()

    @property
    def value_names(self) -> list[str]:
        """Values that an issue of this kind has, in the order they are said."""
        return list(dict.fromkeys(name for _, name, _, _ in Formatter().parse(self.template) if name))


CURVED = ("bright_rims", "domed", "dark_edges", "tone_curve")
"""What a tone curve of the camera looks like too: it moves the edges of all carbides one way."""
LOOK = "(look at the outline picture)"
LOOK_OR_UNDO = '(look at the outline picture; if the camera saved by the curve of sRGB, give tone_curve = "srgb")'
CHANGED = "the area was changed by {change:+.1p} % for it, and may be off by {half_width:.1p} % of its value"
"""What edges did to the value, and what they leave open."""

# In the order they are told: the picture as read, the rolling direction, the segmentation, the checks of one field,
# the checks between fields.
_KINDS = (
    Kind("mislabelled", "mislabelled", "note", "named {ending} but holds a {format} picture, read as that"),
    Kind("page_chosen", "page_taken", "note", "page {page} of {pages} was taken"),
    Kind("page_chosen", "first_picture_taken", "note", "picture 1 of {pictures} was taken"),
    Kind("grey_converted", "twelve_bits", "note", "no grey level above 4095: taken as 12 bits in 16"),
    Kind("grey_converted", "transparency_left_out", "note", "the transparency was left out"),
    Kind("grey_converted", "colours_to_grey", "note", "the colours were turned into luminance (ITU-R BT.601)"),
    Kind("grey_converted", "channel_taken", "note", "of the colours the {colour} channel was taken"),
    Kind(
        "grey_converted", "colour_axis", "note",
        "of the colours the axis was taken that parts two levels most: {red:.2f} red, {green:.2f} green, {blue:.2f} "
        "blue; they lie {apart:.1f} times their scatter apart (by luminance {by_luminance:.1f})",
    ),
    Kind(
        "grey_converted", "tone_curve_undone", "note",
        "the tone curve of sRGB was undone, so that grey follows light (IEC 61966-2-1)",
    ),
    Kind(
        "tone_curve_stated", "tone_curve_stated", "doubt",
        "the file says that its greys follow the tone curve of sRGB and not light",
        '(save without a curve, or give tone_curve = "srgb" where the camera saved so)',
    ),
    Kind("grey_converted", "greys_inverted", "note", "0 means white in this file; the grey levels were turned"),
    Kind("turned", "turned", "note", "turned as the camera's orientation tag says ({orientation})"),
    Kind("rows_cut", "rows_cut", "note", "{rows} rows at the bottom were cut"),
    Kind("rows_cut", "data_bar_cut", "note", "data bar found: {rows} rows at the bottom were cut"),
    Kind("rows_cut", "side_cut", "note", "{px} px at the {side} were cut"),
    Kind("rows_cut", "data_bar_at_side", "note", "data bar found: {px} px at the {side} were cut"),
    Kind(
        "rolling_estimated", "rolling_estimated", "note",
        "rolling direction estimated from the carbides: {angle_deg:.1f}° from the horizontal, to within "
        "{half_width_deg:.1f}°",
    ),
    Kind(
        "rolling_estimated", "rolling_of_specimen", "note",
        "rolling direction of the specimen estimated from {fields} of its fields: {angle_deg:.1f}° from the "
        "horizontal, to within {half_width_deg:.1f}°",
    ),
    Kind(
        "rolling_disagrees", "rolling_disagrees", "doubt",
        "the carbides of this field lie along {own_deg:.1f}°, the specimen's rolling direction is {angle_deg:.1f}°",
        "(look whether the field was turned)",
    ),
    Kind(
        "rolling_disagrees", "rolling_unlike_given", "doubt",
        "carbides lie {off_deg:.0f}° off the rolling direction given: elongation and bands are measured along the "
        "wrong direction if the field was turned",
        "(look whether it was, and give the direction as pictured)",
    ),
    Kind(
        "no_rolling_direction", "no_rolling_direction", "note",
        "no preferred direction, the horizontal is the reference",
    ),
    *(
        Kind(
            "unknown", name, "unknown", f"area fraction unknown, at most {{most:.1p}} %: {says}",
            "(improve the etch or the contrast, or count points)",
        )
        for name, says in (
            (
                "hidden_faint",
                "the matrix is uneven or noisy: what differs from it by less than {least_contrast:.0f} grey levels is "
                "not seen",
            ),
            (
                "hidden_by_texture",
                "the matrix is uneven by as much as carbides differ from it ({contrast:.0f} grey levels)",
            ),
            (
                "at_limit",
                "nearly all that was found only just stands out of an uneven matrix, where most may not stand out",
            ),
            (
                "no_matrix_level",
                "the matrix has no one level: it differs by {scatter:.0f} grey levels from block to block",
            ),
            (
                "matrix_black",
                "the level of the matrix falls to black over {share:.0p} % of the field, where nothing can be set "
                "against it",
            ),
            (
                "matrix_cut_off",
                "the matrix is cut off at the end of the scale on {share:.0p} % of its pixels, and outlines hold such "
                "pixels too",
            ),
            (
                "lines_alone",
                "{share:.0p} % of what stands out lies in thin lines: films of carbide (then say films = true), or "
                "etched boundaries",
            ),
            (
                "films_alone",
                "there is little but films, so that neither the grey of carbide nor the blur is known (pin blur_px "
                "where you know it)",
            ),
            (
                "outlines_without_light",
                "outlines cover {by_outline:.1p} % of the field, their integrated grey level {by_contrast:.1p} %: "
                "lines too thin for the lens, or no one level",
            ),
            ("faint_alone", "something {side} than the matrix is too thin or too faint for outlines"),
        )
    ),
    Kind(
        "films", "films", "note",
        "films of carbide, as told, are {share:.2p} % of the field, {thickness_px:.1f} px thick in the mean, to "
        "within {half_width:.0p} %; they count in the amount, not among the carbides",
    ),
    Kind(
        "films", "no_films", "note",
        "no films were found: lines are taken for such up to {thickest_px:.0f} px thick, and get outlines from about "
        "twice the blur on",
    ),
    Kind(
        "unreliable_levels", "beyond_the_end", "doubt",
        "the matrix is cut off at the end of the scale; how far it lies beyond leaves the area between {low:.1p} and "
        "{high:.1p} %: nothing is outlined or counted",
        "(take the picture again with an exposure that cuts off neither matrix nor carbides)",
    ),
    Kind(
        "unreliable_levels", "two_levels", "doubt",
        "no carbides show one by one; read as the two levels of a fine two-phase etch, between {low:.0p} and "
        "{high:.0p} %: nothing is outlined or counted",
        "(check it by a point count)",
    ),
    *(
        Kind("areas_differ", name, "doubt", says, LOOK_OR_UNDO if name in CURVED else LOOK)
        for name, says in (
            (
                "boundaries_left_out",
                "lines on the other side of the matrix, {share:.2p} % of the field, are taken for grain boundaries "
                "and left out; as carbide they add {half_width:.1p} % to the value",
            ),
            (
                "faint_lines_left_out",
                "fainter winding lines or patches, {share:.2p} % of the field, are taken for boundaries or matrix and "
                "left out; as carbide they add {half_width:.1p} % to the value (where they are films, films = true "
                "says so; where a kind of carbide, the names of the classes)",
            ),
            (
                "patches",
                "patches of the matrix, {share:.0p} % of the field, are near the grey of the carbides, which stand in "
                "them as elsewhere; they were brought to one level, and the area may be off by {half_width:.1p} % of "
                "its value",
            ),
            (
                "faint_class",
                "{faint} is much fainter than the other classes: retained austenite and patches of the etch look so; "
                "as such they take {half_width:.1p} % from the value (where it is carbide, name the classes)",
            ),
            (
                "pits_left_out",
                "small spots on the other side of the matrix are taken for pits; as carbide they add {share:.2p} % of "
                "the field, {half_width:.1p} % to the value",
            ),
            (
                "fallen_out",
                "some carbides are near black, others are not: where carbides fell out there are holes; as such they "
                "take {half_width:.1p} % from the value (where they are carbide, name the classes)",
            ),
            (
                "sulphides",
                "dark features are long and parallel, the others are not: sulphides that rolling draws out look so; as "
                "such they take {half_width:.1p} % from the value (where they are carbide, name the classes)",
            ),
            (
                "soft_class",
                "a fainter kind of carbide has softer edges than the lens makes: patches of the matrix (retained "
                "austenite) look so; as such they take {half_width:.1p} % from the value (where they are carbide, "
                "name the classes)",
            ),
            (
                "unlike_round",
                "{half_width:.1p} % of the area lies in outlines that wind or have softer edges than round carbides: a "
                "second phase of the matrix, or its relief, looks so; as such they take as much from the value (where "
                "they are carbide, name the classes)",
            ),
            (
                "lines_measured",
                "{share:.0p} % of the area lies in thin lines: films of carbide, or etched boundaries; as boundaries "
                "they do not belong to it, and the area may be off by {half_width:.1p} % of its value (where they are "
                "films, films = true says so)",
            ),
            (
                "no_lens",
                "the edges are like those of no lens (sharpened by camera or software?): the area may be off by "
                "{half_width:.1p} % of its value",
            ),
            (
                "no_lens_no_rim",
                "the edges are like those of no lens and no rim: the area may be off by {half_width:.1p} % of its "
                "value",
            ),
            (
                "lens_tails",
                "the lens spreads light far beyond the edges, and carbides and matrix look more alike than they are: "
                f"{CHANGED}",
            ),
            ("lit_from_one_side", f"relief lit from one side draws the edges: {CHANGED}"),
            ("dark_edges", f"dark rims or domed carbides take integrated grey level from carbides: {CHANGED}"),
            (
                "broken_carbides",
                "holes or cracks within the carbides: the area may be off by {half_width:.1p} % of its value",
            ),
            ("texture_at_edges", f"the matrix is uneven, which looks like rims where it meets carbides: {CHANGED}"),
            (
                "small_hidden",
                "some carbides only just stand out of the uneven matrix: others that do not may add {share:.2p} % of "
                "the field, {half_width:.1p} % to the value",
            ),
            (
                "read_in_texture",
                "crests of the matrix come near the carbides' grey: read by what is as wide and even as carbides, and "
                "beside carbides set into this matrix; the area may be off by {half_width:.1p} % of its value, and "
                "carbides too small for that may add {missed:.1p} %",
            ),
            (
                "filtered",
                "noise is alike in neighbouring pixels (filtered or compressed picture): the area may be off by "
                "{half_width:.1p} % of its value",
            ),
            ("bright_rims", f"bright rims add integrated grey level to carbides: {CHANGED}"),
            ("domed", f"domed carbides or dark rims take integrated grey level from carbides: {CHANGED}"),
            (
                "bright_edges",
                "the grey overshoots at the edges by {height:.0p} % of the contrast (bright under an electron beam, "
                f"or with strong rims): {CHANGED}",
            ),
            ("greys_differ", f"carbides differ in grey, which their own levels and edges show: {CHANGED}"),
            ("light_taken", f"pits or boundaries take integrated grey level from carbides: {CHANGED}"),
            (
                "tone_curve",
                "noise differs between carbide and matrix (tone curve of the camera?): the area may be off by "
                "{half_width:.1p} % of its value",
            ),
            (
                "stated_curve",
                "if the greys follow the tone curve that the file states, the area is off by {half_width:.1p} % of "
                "its value",
            ),
        )
    ),
    Kind(
        "taught_outlines", "taught_outlines", "note",
        "outlines taught by a point count; the area of a carbide is that inside its outline",
    ),
    Kind(
        "outside_taught", "outside_taught", "doubt", "{share:.0p} % of the field looks like nothing that was taught",
        "(count points on it, or do not trust it)",
    ),
    Kind("reviewed", "reviewed", "note", "reviewed by {who}: {acts}"),
    Kind(
        "review_stale", "review_of_other_picture", "doubt",
        "{acts} {acts:act|acts} in {source} were made on another picture and are not applied",
        "(review this field again, or bring the picture back)",
    ),
    Kind(
        "review_stale", "review_of_other_outlines", "doubt",
        "{acts} {acts:act|acts} in {source} were made on other outlines and are not applied",
        "(review this field again)",
    ),
    Kind(
        "review_stale", "review_without_effect", "doubt",
        "{acts} {acts:act|acts} of the review met nothing to act on and changed nothing", "(review this field again)",
    ),
    Kind(
        "no_second_phase", "no_second_phase", "doubt",
        "no second phase found: nothing stands out of the matrix by {least_contrast:.3g} grey levels",
        "(if carbides are visible, check polarity, etch and focus)",
    ),
    Kind(
        "unreliable_levels", "polarity_open", "doubt",
        "{share:.0p} % of the field stands out: which grey is the matrix cannot be told",
        "(say whether carbides are bright or dark)",
    ),
    Kind(
        "unreliable_levels", "matrix_by_islands", "doubt",
        "two greys fill so much of the field that each may be the matrix: the one in which the other lies as islands is"
        " taken for it",
        "(check the outlines; if they are round the matrix, pin its grey level)",
    ),
    Kind(
        "unreliable_levels", "rims_alone", "doubt",
        "carbides show rims alone and are as grey inside as the matrix: the area is within the middle of the rims, "
        "{low:.1p} % within their inner and {high:.1p} % within their outer border; nothing is counted",
        "(etch so that the carbides have a grey of their own)",
    ),
    Kind(
        "unreliable_levels", "other_side", "doubt",
        "{share:.0p} % of the field stands out on the side of the matrix where no carbide was looked for, too much "
        "for scratches and dirt: nothing was left out",
        "(check the polarity, or pin the grey levels)",
    ),
    Kind(
        "saturated", "saturated", "doubt",
        "{share:.1p} % of the pixels are saturated, {share_in_carbides:.0p} % of those in carbides: their grey level "
        "is not known, and the area by grey may be off by {half_width:.1p} % of its value",
        "(lower the exposure)",
    ),
    Kind(
        "unreliable_levels", "classes_missing", "doubt",
        "{found} of {wanted} carbide classes found; named from the darkest, so the names may be wrong",
        "(pin the grey levels of the classes)",
    ),
    Kind(
        "unreliable_levels", "class_left_out", "doubt",
        "a named class was not found, and spots on the other side of the matrix, {share:.2p} % of the field, were "
        "left out as marks; as that class they add {half_width:.1p} % to the value",
        "(pin the grey levels of the classes)",
    ),
    Kind(
        "unreliable_levels", "like_a_class", "doubt",
        "spots of one grey on the other side of the matrix, {share:.2p} % of the field, were left out as marks, and "
        "look like a kind of carbide; as one they add {half_width:.1p} % to the value",
        "(if they are, pin the grey levels of the classes; if not, say whether carbides are bright or dark)",
    ),
    Kind(
        "unreliable_levels", "wide_beneath", "doubt",
        "below the level of the uneven matrix lies more that is as wide as carbides than above it (or above, where "
        "carbides are dark): as a kind of carbide of their size it takes {share:.2p} % of the field and adds "
        "{half_width:.1p} % to the value",
        "(say whether carbides are bright or dark, or pin the grey levels of the classes)",
    ),
    Kind(
        "unreliable_levels", "classes_overlap", "doubt",
        "{darker} and {brighter} differ by {apart:.3g} grey levels, less than {least_over_noise:g} times the noise, "
        "{noise:.3g}: which carbide is which is a guess, their sum is not",
        "(take them as one class, or improve the contrast)",
    ),
    Kind(
        "unreliable_levels", "outline_pin_outside", "doubt",
        "the pinned grey of the outline, {outline_grey:g}, does not lie between matrix, {matrix_grey:.0f}, and "
        "{carbide_class}, {class_grey:.0f}",
        "(pin another one)",
    ),
    Kind(
        "unreliable_levels", "class_pin_outside", "doubt",
        "the pinned grey of {carbide_classes} does not lie on the {carbides} side of the matrix, {matrix_grey:.0f}",
        "(pin another one, or another polarity)",
    ),
    Kind(
        "rims_unseen", "rims_unseen", "doubt",
        "too few carbides are wide, free and below full scale for their edges to be asked: thin rims of the etch, or "
        "domes, may change the area by {half_width:.0p} % of its value unseen",
        "(raise the magnification to see them)",
    ),
    Kind(
        "rims_unseen", "rims_untold", "doubt",
        "carbides so small for the blur have edges that do not tell thin rims: those of the etch, or domes, may "
        "change the area by {half_width:.0p} % of its value unseen",
        "(raise the magnification to see them)",
    ),
    Kind(
        "rims_unseen", "rims_in_texture", "doubt",
        "the texture of the matrix hides what edges show: thin rims of the etch, or domes, may change the area by "
        "{half_width:.0p} % of its value unseen",
        "(raise the magnification to see them)",
    ),
    Kind(
        "unresolved", "small_carbides", "doubt",
        "{share:.0p} % of the area lies in carbides below the resolved diameter", "(raise the magnification)",
    ),
    Kind(
        "unresolved", "thin_rods", "doubt",
        "{share:.0p} % of the area lies in rods too thin for the blur: the area may be off by {half_width:.1p} % of "
        "its value",
        "(raise the magnification)",
    ),
    Kind(
        "unresolved", "concave", "doubt",
        "{share:.0p} % of the carbide area lies in {outlines} outlines that stay concave, where carbides may touch or "
        "be lobed: there may be {more:.0p} % more of them, and smaller",
        "(look at the outline picture, raise the magnification)",
    ),
    Kind(
        "unresolved", "may_be_none", "doubt",
        "{share:.0p} % of the outlines are thin or faint as boundaries, scratches and crests of the matrix are, or may "
        "be holes or patches: the number of carbides may be so much lower, and sizes other",
        "(look at the outline picture)",
    ),
    Kind(
        "unresolved", "may_be_missed", "doubt",
        "{share:.0p} % of the outlines only just stand out of the matrix: as many may be missed, so that the number of "
        "carbides would be so much higher, and sizes other",
        "(improve the etch or the contrast, or raise the magnification)",
    ),
    Kind(
        "unresolved", "outside_outlines", "doubt",
        "{share:.2p} % of the field by integrated grey level lies outside the outlines, on what is too thin or too "
        "faint for one: carbide films, or etched grain boundaries. It enters the interval, not the value, and would "
        "add {half_width:.1p} % to it",
        "(look at the outline picture, raise the magnification)",
    ),
    *(
        Kind(
            "areas_differ", name, "doubt",
            "outlines cover {by_outline:.2p} %, integrated contrast {by_contrast:.2p} % of the field: more than blur "
            "and noise explain; the area may be off by {half_width:.1p} % of its value",
            f"(look {where} halos, edge relief or uneven etch)",
        )
        for name, where in (
            ("areas_differ", "for"),
            ("areas_differ_pinned", "at what is pinned, for"),
        )
    ),
    Kind(
        "areas_differ", "halo", "doubt",
        "the matrix near carbides is {side} than elsewhere, by {over_contrast:.1p} % of their contrast: the area may "
        "be off by {half_width:.1p} % of its value",
        "(look for halos, edge relief or uneven etch)",
    ),
    Kind(
        "excluded", "excluded", "note",
        "parts of the picture were left out: scratches, pits, dust or other marks that are not carbide",
        "(look at the hatched parts of the outline picture)",
    ),
    Kind(
        "excluded", "marks_left_out", "doubt",
        "scratches, dust or stains were left out of the area analysed; where they hide no carbide the area is "
        "{half_width:.1p} % smaller",
        "(look at the hatched parts of the outline picture)",
    ),
    Kind(
        "excluded", "round_view", "note", "a round view: what surrounds it, {share:.0p} % of the picture, was left out",
        "(look at the hatched parts of the outline picture)",
    ),
    Kind("excluded", "left_out_by_hand", "note", "{share:.1p} % of the picture was left out as told"),
    Kind(
        "both_polarities", "both_polarities", "doubt",
        "both brighter and darker than the matrix: what is bright covers {bright:.1p} %, what is dark {dark:.1p} % of "
        "the picture; only what is {measured}, not {other}, was taken for carbide",
        "(say which is carbide; if both are, measure each by itself and add the two)",
    ),
    Kind(
        "both_polarities", "both_taken", "doubt",
        "both brighter and darker than the matrix: what is bright covers {bright:.1p} %, what is dark {dark:.1p} % of "
        "the picture; both were taken for carbide",
        "(say which is carbide, where only one of the two is)",
    ),
    Kind(
        "excluded", "nothing_left", "unknown", "all of the picture was left out as marks that are not carbide",
        "(look at the hatched parts of the outline picture)",
    ),
    Kind(
        "stage_micrometer", "stage_micrometer", "doubt",
        "{lines} straight lines at one distance: the picture shows a stage micrometer, not a field",
        "(leave it out, and find the scale on it with micro calibrate)",
    ),
    Kind(
        "soft_focus", "soft_focus", "doubt",
        "edges are blurred over {blur_px:.1f} px (standard deviation), half of the area lies in carbides below "
        "{median_ecd_px:.0f} px:",
        "refocus",
    ),
    Kind(
        "implausible_size", "too_large", "doubt", "carbides of {ecd_um:.3g} µm are larger than any usual:",
        "check the scale and the objective",
    ),
    Kind(
        "implausible_size", "too_small", "doubt", "carbides of {ecd_um:.2g} µm are smaller than light shows:",
        "check the scale and the objective",
    ),
    Kind(
        "implausible_size", "too_sharp", "doubt", "edges of {blur_um:.2g} µm are sharper than light can draw:",
        "check the scale and the objective, unless electrons took the picture",
    ),
    Kind(
        "scale_disagrees", "scale_disagrees", "doubt",
        "the file states {stated_um_per_px:.4g} µm per px ({origin}), {um_per_px:.4g} is used:",
        "find out which is right",
    ),
    Kind(
        "motion_blur", "motion_blur", "doubt",
        "edges are blurred along {direction_deg:.0f}° as by a motion over {length_px:.1f} px:",
        "let the stage rest, shorten the exposure, or look for astigmatism",
    ),
    Kind(
        "directed_edges", "directed_edges", "doubt",
        "edges are wider, or the matrix beside them is shaded, in one direction: lengths along over across rolling "
        "were changed for it and stay unsure by {unsure:.1p} %:",
        "look for astigmatism, focus or charging",
    ),
    Kind(
        "compressed", "compressed", "doubt",
        "steps at the borders of 8 × 8 blocks are {excess:.0p} % larger than elsewhere: lossy compression (JPEG) "
        "changed the grey levels;",
        "save pictures as TIFF or PNG",
    ),
    Kind(
        "uneven_etch", "uneven_etch", "doubt",
        "the contrast of the carbides changes by {change:.0p} % over the field, and rises towards "
        "{direction_deg:.0f}°: uneven etch or stray light put diameters at the ends off by {half_width:.1p} %;",
        "etch again, more evenly",
    ),
    Kind(
        "striped_light", "striped_light", "doubt",
        "stripes of light or of matrix grey along the rolling direction move the areas of single carbides by "
        "{share:.0p} %; banding is judged with that taken off:",
        "take the picture again under even light, or etch again",
    ),
    Kind(
        "duplicated", "duplicated", "doubt", "the same picture as {others:places} ({fields:.0f} fields in all):",
        "leave all but one out, they are one field",
    ),
    Kind(
        "overlapping", "overlapping", "doubt",
        "shows in part the same place as {others:places} ({share:.0p} % of the frame):",
        "leave one out; where fields overlap the intervals are too narrow",
    ),
    Kind(
        "soft_focus", "softer_than_others", "doubt",
        "edges are blurred over {blur_px:.1f} px, those of the specimen's other fields over {others_px:.1f} px:",
        "refocus",
    ),
    Kind(
        "odd_magnification", "odd_magnification", "doubt",
        "as much carbide as on the specimen's other fields, but {size_factor:.2g} times as large and "
        "{number_factor:.2g} times as many:",
        "find out whether this field has another magnification",
    ),
    Kind(
        "scales_differ", "scales_differ", "doubt",
        "the study's fields have different sizes of a pixel (µm: {sizes:scales}): what is small is not seen alike;",
        "compare at one magnification, or only what all of them resolve",
    ),
    Kind(
        "unreliable_levels", "other_class_count", "doubt",
        "shows {found} carbide {found:class|classes}, most fields of the specimen {usual}:",
        "name the classes in the study file, or pin their grey levels",
    ),
)  # fmt: skip
KINDS = {kind.name: kind for kind in _KINDS}
