"""From the settings to open channels."""

from __future__ import annotations

from monitord.alerts.sending.channels.base import Channel
from monitord.alerts.sending.channels.log import LogChannel
from monitord.model.config.alert_settings import AlertSettings, ChannelSettings

LOG_URL = "log://"


def open_channels(settings: AlertSettings) -> dict[str, Channel]:
    """Every channel of the settings by its name.

    Raises
    ------
    ConfigurationError : a channel's URL can't be read.
    """
    return {channel.name: _open(channel) for channel in settings.channels}


def _open(channel: ChannelSettings) -> Channel:
    if channel.url.get_secret_value() == LOG_URL:
        return LogChannel()
    from monitord.alerts.sending.channels.apprise_channel import AppriseChannel

    return AppriseChannel(channel)
