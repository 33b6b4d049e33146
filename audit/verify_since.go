package audit

import (
	"encoding/hex"
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

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

// openCheckpoint reads a checkpoint, checks its signature if it has one, and
// that it is of this bench and of a main commit that is still there.
func (v *verifier) openCheckpoint(where string, text, sig []byte) (Checkpoint, bool) {
	c, err := ParseCheckpoint(text)
	if err != nil {
		v.fault("checkpoint_bad", where, "%v", err)
		return c, false
	}
	if len(sig) > 0 && !v.listBroken {
		if _, err := VerifyCheckpoint(text, sig, v.newest()); err != nil {
			v.fault("checkpoint_bad", where, "%v", err)
		}
	}
	if v.rep.Bench != "" && c.Bench != v.rep.Bench {
		v.fault("checkpoint_bad", where, "it is of bench %s, this is %s", c.Bench, v.rep.Bench)
		return c, false
	}
	if at, ok := v.mainAt[c.Main]; ok {
		v.checkpointCount(c, at, where)
	} else if v.mainWhole {
		v.fault("checkpoint_main", where, "it names %s", c.Main)
	}
	return c, true
}

// checkpoint takes in what a checkpoint names as pins of its runs.
func (v *verifier) checkpoint(where string, text, sig []byte) {
	c, ok := v.openCheckpoint(where, text, sig)
	if !ok {
		return
	}
	for _, r := range c.Runs {
		f := v.run(r.Run)
		if r.Seq > 0 {
			f.pins = append(f.pins, pin{r.Seq, r.Record, -1, where})
		}
	}
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
	for _, id := range slices.Sorted(maps.Keys(v.runs)) {
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

// insideCheckpoint is a checkpoint that stands in a hand_over record: what it
// says of other runs can be held against them once all were read.
type insideCheckpoint struct {
	where, text, sig string
	carrier          Record // its body taken out
}

// collectInside takes the checkpoint out of a hand_over record.
func (v *verifier) collectInside(r Record, where string) {
	var body struct{ Checkpoint, Signature string }
	if err := json.Unmarshal(r.Body, &body); err != nil || body.Checkpoint == "" {
		v.fault("checkpoint_differs", where, "a hand_over record carries no checkpoint, so the laboratory's form pins nothing")
		return
	}
	r.Body = nil
	v.inside = append(v.inside, insideCheckpoint{where + " checkpoint", body.Checkpoint, body.Signature, r})
}

// readInside holds the runs against the checkpoints in hand_over records.
func (v *verifier) readInside() {
	for _, in := range v.inside {
		c, ok := v.openCheckpoint(in.where, []byte(in.text), []byte(in.sig))
		if !ok {
			continue
		}
		v.coversCarrier(in, c)
		for _, r := range c.Runs {
			have := v.hashes[r.Run]
			switch {
			case r.Seq > int64(len(have)):
				v.fault("checkpoint_cut", in.where, "it names record %d of run %s, which ends at record %d", r.Seq, r.Run, len(have))
			case r.Seq > 0 && r.Record != "sha256:"+hex.EncodeToString(have[r.Seq-1][:]):
				v.fault("checkpoint_differs", in.where, "it names record %d of run %s as %s", r.Seq, r.Run, r.Record)
			}
		}
	}
}

// coversCarrier holds a hand-over's checkpoint to what makes the laboratory a
// witness: it names the main commit that the record saw, and the record just
// before it, so that the sample ids pin everything up to the hand-over.
func (v *verifier) coversCarrier(in insideCheckpoint, c Checkpoint) {
	if c.Main != in.carrier.Main {
		v.fault("checkpoint_differs", in.where, "it names main %s, the record that carries it saw %s", c.Main, in.carrier.Main)
	}
	for _, r := range c.Runs {
		if r.Run == in.carrier.Run && r.Seq == in.carrier.Seq-1 && r.Record == in.carrier.Prev {
			return
		}
	}
	v.fault("checkpoint_differs", in.where, "it does not name record %d of its own run, the one before the hand-over", in.carrier.Seq-1)
}
