"""Turn scans of colour negative film into positives, one rendition over the whole roll."""

__version__ = "0.1.0"
