"""The documentation site: `just docs`, or `python -m sphinx -W -b html .docs out/docs`."""

import os
import sys
from pathlib import Path

os.environ.setdefault("MPLBACKEND", "agg")
HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import public_pages  # noqa: E402

import echotrace  # noqa: E402

project = "echotrace"
copyright = "the echotrace authors. Not a medical device"
version = release = echotrace.__version__
extensions = [
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "sphinx.ext.viewcode",
    "numpydoc",
    "myst_parser",
    "sphinx_gallery.gen_gallery",
]
templates_path = ["_templates"]
exclude_patterns = ["gallery/*.py", "gallery/README.txt", "**/GALLERY_HEADER.rst"]
source_suffix = {".rst": "restructuredtext", ".md": "markdown"}
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3
# Links from the guide into the source tree stay links of the repository.
suppress_warnings = ["myst.xref_missing", "config.cache"]
autosummary_generate = True
autodoc_typehints = "none"

numpydoc_show_class_members = False
numpydoc_class_members_toctree = False
html_theme = "furo"
html_title = "echotrace"
html_static_path = []
sphinx_gallery_conf = {
    "examples_dirs": "gallery",
    "gallery_dirs": "examples",
    "filename_pattern": r".*\.py$",
    "download_all_examples": False,
    "remove_config_comments": True,
    "show_memory": False,
    "capture_repr": (),
    "abort_on_example_error": True,
}

public_pages.write(HERE / "api")
