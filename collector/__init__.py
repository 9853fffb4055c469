"""The collector of an indoor school lab with worm bins and tea brews."""

__version__ = "0.1.0"
