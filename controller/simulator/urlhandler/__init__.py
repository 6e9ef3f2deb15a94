"""Where pyserial looks for the handler of ``sim://``."""
