"""Moved to `borewarden.watcher`."""

from borewarden.watcher.batch_loop import DRIFT_BLOCK as DRIFT_BLOCK
from borewarden.watcher.batch_loop import NO_RESULTS as NO_RESULTS
from borewarden.watcher.batch_loop import RESULT as RESULT
from borewarden.watcher.bore_watch import BoreWatch as BoreWatch
from borewarden.watcher.learning import MAX_DEGREES_OF_FREEDOM as MAX_DEGREES_OF_FREEDOM
from borewarden.watcher.monitor import RECENT as RECENT
from borewarden.watcher.settings import WatchSettings as WatchSettings
