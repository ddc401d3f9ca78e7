"""What files go with a roll; apart from what draws them, which takes long to load."""

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
