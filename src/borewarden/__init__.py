"""borewarden: watches a UHP waterjet pump and says when the bore has probably opened up."""

__version__ = "0.1.0"
