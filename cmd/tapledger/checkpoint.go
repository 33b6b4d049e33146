package main

import (
	"flag"
	"os"

	"tapledger/audit"
)

var verbCheckpoint = verb{
	name: "checkpoint", args: "", says: "a small signed text that pins the ledger as it is, to be kept by someone else",
	text: `Give it to the laboratory, a colleague, a notary: verify --since shows with it that
nothing was cut or rewritten. --keep brings one back that someone held, so that editions
can say so.`,
	example: `tapledger checkpoint --out checkpoint-2026-03-05.txt
tapledger checkpoint --keep returned.txt`,
	flags: func(fs *flag.FlagSet) func(c *call) error {
		out := fs.String("out", "", "write it into `file` instead of printing it")
		keep := fs.String("keep", "", "keep the checkpoint in `file` on main, as held elsewhere")
		return func(c *call) error {
			if err := c.want(0, 0); err != nil {
				return err
			}
			b, err := c.bench()
			if err != nil {
				return err
			}
			if *keep != "" {
				file, err := c.readFile(*keep)
				if err != nil {
					return err
				}
				by, err := b.KeepCheckpoint(file)
				if err != nil {
					return err
				}
				return c.show(map[string]string{"signed_by": by, "kept": "yes"}, "kept on main: a checkpoint signed by %s\n", by)
			}
			text, sig, err := b.Checkpoint()
			if err != nil {
				return err
			}
			file := audit.JoinCheckpoint(text, sig)
			if *out != "" {
				if err := os.WriteFile(*out, file, 0o644); err != nil {
					return err
				}
				return c.show(map[string]string{"file": *out, "sha256": audit.Hash(text)}, "checkpoint %s is in %s: give it to someone else\n", audit.Hash(text), *out)
			}
			return c.show(map[string]string{"text": string(text), "signature": string(sig), "sha256": audit.Hash(text)}, "%s", file)
		}
	},
}
