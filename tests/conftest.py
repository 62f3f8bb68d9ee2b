"""For every test: one thread of linear algebra, as in the program, and folders and a screen that no other process uses."""

import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported
os.environ.setdefault("OMP_NUM_THREADS", "1")

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")  # a machine with other work is no failure

# What begins in the background of a shell, or under nohup, ignores these two; so would every program that the tests begin.
for name, handler in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
    if (number := getattr(signal, name, None)) and signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, handler)

OWN = tempfile.TemporaryDirectory(prefix="kneecall-tests-")  # removed when the process ends
for variable in ("KNEECALL_HOME", "KIVY_HOME"):  # else the user's own, and two workers write there at once
    folder = Path(OWN.name) / variable
    folder.mkdir()
    os.environ[variable] = str(folder)

# The server ends with the pipe to this process, however that ends.
OWN_SCREEN = "Xvfb -displayfd 1 -screen 0 1920x1200x24 -nolisten tcp 2>/dev/null & read -r _; kill $!"


def pytest_configure(config):
    """With ``-n`` each worker has a screen of its own: windows of two would lie over each other and share the keys."""
    if "PYTEST_XDIST_WORKER" in os.environ and os.environ.get("DISPLAY") and shutil.which("Xvfb"):
        server = subprocess.Popen(["sh", "-c", OWN_SCREEN], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        config.add_cleanup(server.communicate)
        number = server.stdout.readline().strip()  # written once the server answers
        assert number, "Xvfb did not start"
        os.environ["DISPLAY"] = f":{number}"
