from .metadata import FrameMetadata as FrameMetadata
from .metadata import frame_metadata as frame_metadata
from .pictures import share_bytes as share_bytes
from .pictures import write_archive as write_archive
from .pictures import write_share as write_share
from .pictures import write_sidecar as write_sidecar
