"""What `warm_process` loads once: the modules of the programs that the suites start most."""

from importlib import import_module

from logger.memory import leave_out_pandas

leave_out_pandas()
for name in (
    "dutytrace",
    "dashboard.app",
    "logger.recording.recorder",
    "logger.recording.record_settings",
    "logger.notify.notifier",
    "logger.simulate.__main__",
):
    import_module(name)
