"""What to install so that a job runs every night: for cron, systemd and the Windows Task Scheduler."""
