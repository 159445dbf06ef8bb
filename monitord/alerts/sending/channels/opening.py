"""From the settings to open channels."""

from __future__ import annotations

from monitord.alerts.sending.channels.apprise_channel import AppriseChannel
from monitord.alerts.sending.channels.base import Channel
from monitord.alerts.sending.channels.log import LogChannel
from monitord.model.config.alert_settings import AlertSettings

LOG_URL = "log://"


def open_channels(settings: AlertSettings) -> dict[str, Channel]:
    """Every channel of the settings by its name.

    Raises
    ------
    ConfigurationError : a channel's URL can't be read.
    """
    return {
        channel.name: LogChannel() if channel.url.get_secret_value() == LOG_URL else AppriseChannel(channel)
        for channel in settings.channels
    }
