"""A browser and its system in words."""

from service.core.language import _
from service.web.browser_names import Device


def words(device: Device) -> str:
    """Return what a device is called: 'Firefox on Windows'."""
    if device.browser and device.system:
        return _("{browser} on {system}").format(browser=device.browser, system=device.system)
    return device.browser or device.system or _("a browser that is not known")
