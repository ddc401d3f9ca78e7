from .app import app_of as app_of
from .desk import Desk as Desk
from .serve import check_installed as check_installed
from .serve import serve as serve
from .serve import take_address as take_address
from .watch import watch as watch
