"""What goes with a roll beside its scans and is shown on its page."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Beside:
    """Files that go with a roll and are shown on its page: readings, and the log of batches."""

    readings: Path | None = None
    bath_log: Path | None = None

    def __bool__(self) -> bool:
        """Tell whether there is any."""
        return self.readings is not None or self.bath_log is not None
