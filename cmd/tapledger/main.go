// Command tapledger runs a water test step by step, keeps every record in a
// git-backed ledger, and makes every published number answer for itself.
//
// A verb a file, no logic: what a verb does stands in runner/bench and below.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/rs/zerolog"

	"tapledger/runner/bench"
)

func main() { os.Exit(start()) }

// start runs the command for the process: its words, streams and signals.
func start() int {
	watchSignals(func() {})
	return run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}

// watchSignals ends the process when it is interrupted. up is called once
// signals are watched.
func watchSignals(up func()) {
	stopped := make(chan os.Signal, 1)
	signal.Notify(stopped, os.Interrupt, syscall.SIGTERM)
	go func() {
		<-stopped
		// The ledger is whole at every moment; what was half done is finished,
		// and put on record, by the next verb that writes.
		fmt.Fprintln(os.Stderr, "\ntapledger: interrupted")
		os.Exit(codeInterrupted)
	}()
	up()
}

// verb is one verb of the command line.
type verb struct {
	name    string
	args    string // what follows the name in the usage line
	says    string // one line
	text    string // more, shown by --help
	example string
	// flags declares the verb's own flags and gives what is to be run.
	flags func(fs *flag.FlagSet) func(c *call) error
}

// verbs lists every verb that is built, in the order of a bench's days.
func verbs() []verb {
	return []verb{
		verbDemo, verbNew, verbPerson, verbAdd, verbCheck,
		verbOpen, verbNext, verbCaution, verbEnter, verbPart, verbStop, verbResume, verbConfirm,
		verbCorrect, verbDeparture, verbNote, verbComplaint, verbRemove, verbClose, verbReopen, verbAbandon,
		verbLabel, verbHandOver, verbReceive,
		verbAssess, verbScore, verbPublish,
		verbVerify, verbCheckpoint, verbReplay, verbTrace,
		verbClock,
	}
}

// call is one call of a verb.
type call struct {
	verb   verb
	args   []string // without flags
	dir    string
	by     string
	json   bool
	sure   bool
	in     io.Reader
	out    io.Writer
	err    io.Writer
	log    zerolog.Logger
	opened *bench.Bench
}

// common are the flags that every verb has, before it or after it.
type common struct {
	dir, by, log string
	json, sure   bool
}

func (g *common) declare(fs *flag.FlagSet) {
	fs.StringVar(&g.dir, "C", g.dir, "the bench's `folder`; default: the current one and those above it")
	fs.StringVar(&g.by, "by", g.by, "the `person` who acts; default: the first whose key is here")
	fs.StringVar(&g.log, "log", g.log, "write a log to standard error from this `level` on: debug, info, warn, error")
	fs.BoolVar(&g.sure, "sure", g.sure, "texts may hold what looks like an address, a number or e-mail")
	fs.BoolVar(&g.json, "json", g.json, "print JSON")
}

// run runs one call and gives its exit code.
func run(args []string, in io.Reader, out, errs io.Writer) (code int) {
	g := common{log: "disabled"}
	c := &call{in: in, out: out, err: errs}
	defer func() {
		if p := recover(); p != nil {
			fmt.Fprintf(errs, "tapledger: internal: %v\nhint: this is a defect of the program; the ledger is whole. Report it with the lines below\n%s", p, debug.Stack())
			code = codeInternal
		}
	}()
	v, fs, do, err := pick(args, &g)
	if err == nil {
		c.verb, c.dir, c.by, c.json, c.sure = v, g.dir, g.by, g.json, g.sure
		err = c.logTo(g.log)
	}
	switch {
	case errors.Is(err, flag.ErrHelp) && do == nil:
		fmt.Fprint(out, usage())
		return codeDone
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(out, helpOf(v, fs))
		return codeDone
	}
	if err == nil {
		c.args = fs.Args()
		c.log.Debug().Str("verb", v.name).Strs("args", c.args).Msg("begin")
		err = do(c)
	}
	c.json = c.json || g.json
	return c.end(err)
}

// pick finds the verb and parses its flags, which may stand among its words.
func pick(args []string, g *common) (verb, *flag.FlagSet, func(*call) error, error) {
	before := quiet("tapledger")
	g.declare(before)
	version := before.Bool("version", false, "print the version")
	if err := before.Parse(args); err != nil {
		return verb{}, nil, nil, usageError(err)
	}
	if *version {
		return verb{name: "version"}, before, printVersion, nil
	}
	words := before.Args()
	if len(words) == 0 {
		return verb{}, nil, nil, &Usage{Says: "a verb is missing", Hint: "tapledger --help lists them"}
	}
	if words[0] == "help" {
		if len(words) == 1 {
			return verb{}, nil, nil, flag.ErrHelp
		}
		words = []string{words[1], "--help"}
	}
	for _, v := range verbs() {
		if v.name != words[0] {
			continue
		}
		fs := quiet(v.name)
		g.declare(fs)
		do := v.flags(fs)
		rest, err := mixed(fs, words[1:])
		if err != nil {
			return v, fs, do, usageError(err)
		}
		return v, fs, do, fs.Parse(append([]string{"--"}, rest...))
	}
	return verb{}, nil, nil, &Usage{Says: fmt.Sprintf("there is no verb %q", words[0]), Hint: nearestVerb(words[0])}
}

func quiet(name string) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.Usage = func() {}
	return fs
}

// mixed parses flags wherever they stand and gives the other words, in order.
// After "--" everything is a word.
func mixed(fs *flag.FlagSet, args []string) ([]string, error) {
	var rest []string
	for len(args) > 0 {
		if err := fs.Parse(args); err != nil {
			return rest, err
		}
		left := fs.Args()
		used := args[:len(args)-len(left)]
		if len(used) > 0 && used[len(used)-1] == "--" {
			return append(rest, left...), nil
		}
		if len(left) == 0 {
			break
		}
		rest, args = append(rest, left[0]), left[1:]
	}
	return rest, nil
}

func usageError(err error) error {
	if errors.Is(err, flag.ErrHelp) {
		return err
	}
	says := strings.ReplaceAll(err.Error(), "flag provided but not defined: -", "there is no flag --")
	return &Usage{Says: says, Hint: "add --help to see what the verb takes"}
}

func (c *call) logTo(level string) error {
	l, err := zerolog.ParseLevel(level)
	if err != nil {
		return &Usage{Says: fmt.Sprintf("there is no log level %q", level), Hint: "debug, info, warn or error"}
	}
	c.log = zerolog.New(c.err).Level(l).With().Timestamp().Logger()
	return nil
}

func printVersion(c *call) error {
	tool, gov := toolVersion()
	return c.show(map[string]string{"version": tool, "go": gov}, "tapledger %s, built with %s\n", tool, gov)
}

// toolVersion gives the module's version and Go's, for information only.
func toolVersion() (tool, goVersion string) {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" || strings.HasPrefix(info.Main.Version, "(") {
		return "unversioned", goVersionOf(info)
	}
	return info.Main.Version, goVersionOf(info)
}

func goVersionOf(info *debug.BuildInfo) string {
	if info == nil {
		return "go"
	}
	return info.GoVersion
}
