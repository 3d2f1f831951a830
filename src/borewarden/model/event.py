"""Moved to `borewarden.diagnose.features`; events are in `borewarden.watcher.events`."""

from borewarden.diagnose.features import SIGNAL_OF as SIGNAL_OF
from borewarden.diagnose.features import SLUGGISH as SLUGGISH
from borewarden.diagnose.features import Idle as Idle
from borewarden.diagnose.features import IdleBatch as IdleBatch
from borewarden.diagnose.features import falls_in_a_stop as falls_in_a_stop
from borewarden.diagnose.features import idle_batch as idle_batch
from borewarden.diagnose.features import known_mean as known_mean
from borewarden.diagnose.features import known_spread as known_spread
from borewarden.diagnose.features import onset_of as onset_of
from borewarden.diagnose.features import shift_of as shift_of
from borewarden.diagnose.features import timing_sd as timing_sd
from borewarden.diagnose.features import warmed as warmed
