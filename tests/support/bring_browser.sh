#!/bin/sh
# Brings the browser that the browser tests drive. With none to be had the tests say why they are skipped.
for name in chromium chromium-browser google-chrome google-chrome-stable chrome; do
  command -v "$name" >/dev/null 2>&1 && exit 0
done
[ -d "/Applications/Google Chrome.app" ] && exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  echo "Installing Chromium for the browser tests (once)"
  apt-get update -qq && apt-get install -y -qq --no-install-recommends chromium fonts-liberation >/dev/null && exit 0
fi
echo "No Chrome or Chromium found and none could be installed: the browser tests will be skipped." >&2
exit 0
