"""A screen that a verb opens goes to the app where the app runs the verb."""

import threading

from logger_app.ui.hosting import host_here
from logger_app.ui.screens.compare_app import open_compare


def test_a_screen_of_a_hosted_thread_goes_to_the_app():
    seen, code = [], []

    def verb():
        host_here(seen.append)
        code.append(open_compare("the comparison"))

    thread = threading.Thread(target=verb)
    thread.start()
    thread.join()

    assert (seen, code) == (["the comparison"], [0])
