-- Jobs for many benches. These tables stand in a schema of their own beside the store's, with those of the task queue that carries
-- the jobs (which holds nothing but a job's id). All times are the server's: no bench's clock decides anything.

create table version (number int primary key);
insert into version values (2);

create table job (
    id bigint generated always as identity primary key,
    serial text not null,
    model text not null default '',
    sequence text not null,                 -- as it was named: a shipped one's name, or a path that every bench has
    sequence_hash text not null,            -- a bench whose file of that name is another refuses the job
    needs text[] not null,                  -- what a bench must have, as the plan asks for it
    refused text[] not null default '{}',   -- benches whose plan refused it
    carrier text not null,                  -- the task queue's name for what it needs: see carrier_of
    token bigint,                           -- its entry in the task queue
    key text unique,                        -- what may be there once: a bench's own check of a day
    priority int not null default 0,
    due timestamptz not null default now(),
    added timestamptz not null default now(),
    state text not null default 'waiting' check (state in ('waiting', 'taken', 'done', 'failed', 'cancelled')),
    bench text not null default '',         -- who has it, or had it last
    host text not null default '',
    fence bigint not null default 0,        -- raised by each claim: what is written under an older one is refused
    lease timestamptz,
    taken timestamptz,
    ended timestamptz,
    stop boolean not null default false,    -- somebody has cancelled it while it was measured
    run text not null default '',           -- the run that counts, or the one that was cut short
    status int,                             -- as the command line has it
    tries int not null default 0,
    said text not null default '',
    line jsonb not null default '{}'        -- batch, operator, lot, as the results are to carry them; since form 2
);
create unique index one_job_a_bench on job (bench) where state = 'taken';
create unique index one_bench_a_unit on job (serial) where state = 'taken';
create index job_by_state on job (state, due);

create table attempt (
    job bigint not null references job (id),
    fence bigint not null,
    bench text not null,
    host text not null,
    run text not null default '',
    began timestamptz not null default now(),
    ended timestamptz,
    outcome text not null default '',
    primary key (job, fence)
);
create index attempt_by_run on attempt (run);

create table refusal (
    job bigint not null references job (id),
    bench text not null,
    why text not null,
    at timestamptz not null default now(),
    primary key (job, bench)
);

create table bench (
    bench text primary key,
    host text not null,
    can text[] not null,
    seen timestamptz not null default now(),
    lease_s double precision not null,
    lacks text not null default '',         -- why it takes no job at present
    own_check jsonb,                        -- its own check each day, as a job is: sequence, sequence_hash, serial, needs
    own_check_at time,
    zone text not null default 'UTC'
);
