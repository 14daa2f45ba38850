package postgres

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"farthingale/domain"
)

// jobMinutes is how long one job may run. A job of a killed copy is taken up by another a little
// later.
const jobMinutes = 5

// ImageQueue is the queue of jobs that need much memory; few of them run at once.
const ImageQueue = "images"

// Task is one kind of slow work. Done twice it must do no harm: after a kill it is done again.
type Task struct {
	Name  string        // stable, it lies in the queue: "photo.derive"
	Queue string        // "" or ImageQueue
	Every time.Duration // also by itself this often, at most a day, on one of all copies; 0: only when asked for
	// Run does the work for the record that the job is about; a task that runs by itself gets the
	// zero ID. An error means: try again later.
	Run func(ctx context.Context, subject domain.ID) error
}

// Jobs runs slow work from a queue in the database, which any number of copies of the program
// share. A job is asked for in the transaction of the act that needs it.
type Jobs struct {
	db     *DB
	log    *slog.Logger
	asks   *river.Client[pgx.Tx] // only puts jobs into the queue
	mu     sync.Mutex
	tasks  map[string]Task
	worker *river.Client[pgx.Tx]
}

// NewJobs makes the queue's front: jobs can be asked for at once, and are done where Start is called.
func NewJobs(db *DB, log *slog.Logger) (*Jobs, error) {
	asks, err := river.NewClient(riverpgxv5.New(db.pool), &river.Config{Logger: quiet(log)})
	if err != nil {
		return nil, fmt.Errorf("open the job queue: %w", err)
	}
	return &Jobs{db: db, log: log, asks: asks, tasks: map[string]Task{}}, nil
}

// quiet leaves out what the queue tells of its own everyday work.
func quiet(log *slog.Logger) *slog.Logger {
	return slog.New(quietHandler{log.Handler()})
}

type quietHandler struct{ slog.Handler }

func (q quietHandler) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && q.Handler.Enabled(ctx, level)
}

func (q quietHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return quietHandler{q.Handler.WithAttrs(attrs)}
}

func (q quietHandler) WithGroup(name string) slog.Handler {
	return quietHandler{q.Handler.WithGroup(name)}
}

// Add makes a task known, before Start.
func (j *Jobs) Add(t Task) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.tasks[t.Name] = t
}

// job is what lies in the queue.
type job struct {
	Task    string    `json:"task" river:"unique"`
	Subject domain.ID `json:"subject" river:"unique"`
}

// Kind is the same for all: the task's name tells them apart.
func (job) Kind() string { return "task" }

// Ask puts a job into the queue, in the transaction that ctx carries. One that waits already is not
// put there twice.
func (j *Jobs) Ask(ctx context.Context, task string, subject domain.ID) error {
	opts := &river.InsertOpts{MaxAttempts: 12, UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: waiting}}
	j.mu.Lock()
	if t, ok := j.tasks[task]; ok {
		opts.Queue = t.Queue
	}
	j.mu.Unlock()
	return j.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := j.asks.InsertTx(ctx, tx, job{Task: task, Subject: subject}, opts)
		return fault(err, "ask for job %s of %s", task, subject)
	})
}

// waiting are the states of a job that is still to be done.
var waiting = []rivertype.JobState{rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable,
	rivertype.JobStateRunning, rivertype.JobStateScheduled}

// Start begins to do jobs: at most workers everyday ones and images with images at a time.
func (j *Jobs) Start(ctx context.Context, workers, images int) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.worker != nil {
		return errors.New("the job queue is started already")
	}
	all := river.NewWorkers()
	river.AddWorker(all, &taskWorker{jobs: j})
	config := &river.Config{
		Logger: quiet(j.log), Workers: all, JobTimeout: jobMinutes * time.Minute, RescueStuckJobsAfter: (jobMinutes + 1) * time.Minute,
		Queues:              map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: max(1, workers)}, ImageQueue: {MaxWorkers: max(1, images)}},
		ReindexerIndexNames: []string{}, // the program's role owns no index
		ErrorHandler:        told{j.log}, SoftStopTimeout: 20 * time.Second,
	}
	for _, t := range j.tasks {
		if t.Every > 0 {
			config.PeriodicJobs = append(config.PeriodicJobs, periodic(t))
		}
	}
	worker, err := river.NewClient(riverpgxv5.New(j.db.pool), config)
	if err != nil {
		return fmt.Errorf("open the job queue: %w", err)
	}
	// The queue lives until Stop; ctx is only for starting it.
	if err := worker.Start(context.WithoutCancel(ctx)); err != nil {
		return fmt.Errorf("start the job queue: %w", err)
	}
	j.worker = worker
	return nil
}

// periodic asks for the task at every start and then in its rhythm, but never twice in one period:
// a program that is started every morning still does its daily work once a day.
func periodic(t Task) *river.PeriodicJob {
	opts := &river.InsertOpts{MaxAttempts: 3, Queue: t.Queue, UniqueOpts: river.UniqueOpts{ByArgs: true, ByPeriod: t.Every}}
	return river.NewPeriodicJob(river.PeriodicInterval(t.Every),
		func() (river.JobArgs, *river.InsertOpts) { return job{Task: t.Name}, opts },
		&river.PeriodicJobOpts{RunOnStart: true})
}

// Stop ends the work: running jobs get 20 seconds, then they are given up and done again later.
func (j *Jobs) Stop(ctx context.Context) error {
	j.mu.Lock()
	worker := j.worker
	j.worker = nil
	j.mu.Unlock()
	if worker == nil {
		return nil
	}
	if err := worker.Stop(ctx); err != nil {
		return fmt.Errorf("stop the job queue: %w", err)
	}
	return nil
}

// JobCounts are the jobs that lie in the queue, of all copies of the program.
type JobCounts struct {
	Waiting int // to be done, now or at their time
	Running int
	Failing int // failed, to be tried again
	GivenUp int // failed as often as they may; kept for a day or a week to be looked at
}

// Count counts the jobs.
func (j *Jobs) Count(ctx context.Context) (JobCounts, error) {
	rows, _ := j.db.q(ctx).Query(ctx, `
		select count(*) filter (where state in ('available', 'pending', 'scheduled')) as waiting,
			count(*) filter (where state = 'running') as running,
			count(*) filter (where state = 'retryable') as failing,
			count(*) filter (where state = 'discarded') as given_up
		from river_job where state in ('available', 'pending', 'scheduled', 'running', 'retryable', 'discarded')`)
	n, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[JobCounts])
	return n, fault(err, "count jobs")
}

// taskWorker does the jobs.
type taskWorker struct {
	river.WorkerDefaults[job]
	jobs *Jobs
}

func (w *taskWorker) Work(ctx context.Context, r *river.Job[job]) error {
	w.jobs.mu.Lock()
	t, ok := w.jobs.tasks[r.Args.Task]
	w.jobs.mu.Unlock()
	if !ok {
		return fmt.Errorf("there is no task %s in this version of the program", r.Args.Task)
	}
	return t.Run(ctx, r.Args.Subject)
}

// told logs what fails.
type told struct{ log *slog.Logger }

func (t told) HandleError(ctx context.Context, r *rivertype.JobRow, err error) *river.ErrorHandlerResult {
	t.log.WarnContext(ctx, "job failed", "job", string(r.EncodedArgs), "attempt", r.Attempt, "of", r.MaxAttempts, "error", err)
	return nil
}

func (t told) HandlePanic(ctx context.Context, r *rivertype.JobRow, panicked any, trace string) *river.ErrorHandlerResult {
	t.log.ErrorContext(ctx, "job fell over", "job", string(r.EncodedArgs), "attempt", r.Attempt, "panic", panicked, "stack", trace)
	return nil
}
