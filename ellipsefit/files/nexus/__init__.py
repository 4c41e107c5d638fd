"""Profiles and scans as HDF5 by the NeXus standard (https://manual.nexusformat.org): NXentry, NXdata, NXprocess.

A file may hold ten thousand scans, so reading goes through the low-level objects of h5py (GroupID, DatasetID),
which spare two thirds of the time. The helpers that write a group or a field serve every other file of that family.
"""

from ellipsefit.files.nexus.fields import read_field, read_strings, read_text, stored_field, type_words
from ellipsefit.files.nexus.finding import NexusContent, holds_scans, holds_surveys, mirror_named_in, survey_entries
from ellipsefit.files.nexus.large import NexusProfile, large_profile, open_nexus_profile
from ellipsefit.files.nexus.opening import open_nexus
from ellipsefit.files.nexus.profiles import read_profile_data
from ellipsefit.files.nexus.reading import (
    examine_nexus,
    look_at_many,
    read_nexus_measured,
    read_nexus_profile,
    read_nexus_scans,
)
from ellipsefit.files.nexus.texts import text_attribute
from ellipsefit.files.nexus.writing import (
    new_data,
    new_entry,
    new_group,
    start_root,
    write_field,
    write_process,
    write_profile,
    write_profile_data,
    write_scans,
    write_text,
)

__all__ = [
    "NexusContent",
    "NexusProfile",
    "examine_nexus",
    "holds_scans",
    "holds_surveys",
    "large_profile",
    "look_at_many",
    "mirror_named_in",
    "new_data",
    "new_entry",
    "new_group",
    "open_nexus",
    "open_nexus_profile",
    "read_field",
    "read_nexus_measured",
    "read_nexus_profile",
    "read_nexus_scans",
    "read_profile_data",
    "read_strings",
    "read_text",
    "start_root",
    "stored_field",
    "survey_entries",
    "text_attribute",
    "type_words",
    "write_field",
    "write_process",
    "write_profile",
    "write_profile_data",
    "write_scans",
    "write_text",
]
