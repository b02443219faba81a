"""From two manifests to findings: join, pair, classify, group, and an account that balances."""
