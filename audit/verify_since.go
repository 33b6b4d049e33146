package audit

import "strings"

// readCheckpoints takes in the checkpoints that were handed over and those
// kept on main: what they name becomes a pin of its run.
func (v *verifier) readCheckpoints() {
	for i, file := range v.opt.Since {
		text, sig := SplitCheckpoint(file)
		v.checkpoint("checkpoint "+itoa(int64(i+1)), text, sig)
	}
	for _, path := range v.reg.Checkpoints {
		at := "main " + path
		text, _, err := ReadFile(v.o, v.rep.Main, path)
		if err != nil {
			v.broken(err, "checkpoint_bad", at)
			continue
		}
		sig, found, err := ReadFile(v.o, v.rep.Main, strings.TrimSuffix(path, ".txt")+".sig")
		if err != nil || !found {
			v.fault("checkpoint_bad", at, "its .sig file is missing")
		}
		v.checkpoint(at, text, sig)
	}
}

func (v *verifier) checkpoint(where string, text, sig []byte) {
	c, err := ParseCheckpoint(text)
	if err != nil {
		v.fault("checkpoint_bad", where, "%v", err)
		return
	}
	if len(sig) > 0 {
		if _, err := VerifyCheckpoint(text, sig, v.newest()); err != nil {
			v.fault("checkpoint_bad", where, "%v", err)
		}
	}
	if v.rep.Bench != "" && c.Bench != v.rep.Bench {
		v.fault("checkpoint_bad", where, "it is of bench %s, this is %s", c.Bench, v.rep.Bench)
		return
	}
	for _, r := range c.Runs {
		f := v.run(r.Run)
		if r.Seq > 0 {
			f.pins = append(f.pins, pin{r.Seq, r.Record, -1, where})
		}
	}
	at, ok := v.mainAt[c.Main]
	if !ok {
		v.fault("checkpoint_main", where, "it names %s", c.Main)
		return
	}
	v.checkpointCount(c, at, where)
}

// checkpointCount adds up the records that a checkpoint covers: its own lines,
// and the closings on main there of the runs that have no line.
func (v *verifier) checkpointCount(c Checkpoint, at int, where string) {
	lines := map[string]bool{}
	var n int64
	for _, r := range c.Runs {
		lines[r.Run] = true
		n += r.Seq
	}
	for _, id := range sortedKeys(v.runs) {
		f := v.runs[id]
		if f.openedAt < 0 || f.openedAt > at || lines[id] {
			continue
		}
		seq := int64(-1)
		for _, g := range f.closings {
			if g.at <= at {
				seq = g.Seq
			}
		}
		if seq < 0 {
			v.fault("checkpoint_differs", where, "it has no line for the open run %s", id)
			return
		}
		n += seq
	}
	if n != c.Records {
		v.fault("checkpoint_differs", where, "it counts %d records, its lines and main give %d", c.Records, n)
	}
}
