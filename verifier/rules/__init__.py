"""Rules: which names are clutter, which are data, which folders are not entered, and what is only reported.

* `verifier.rules.rule`: plain facts: `Rule`, `Guards`, `Policy`, `RuleSet`.
* `verifier.rules.model`: the rule file's shape; the only module here that needs pydantic.
* `verifier.rules.pattern`, `verifier.rules.guards`: what a rule asks of a name, and of everything else.
* `verifier.rules.matcher`, `verifier.rules.index`: which rule, if any, claims an entry.
* `verifier.rules.explanation`: why a rule claims a path, or does not.

Nothing is imported here: validating rule files is paid for by the commands that read them.
"""
