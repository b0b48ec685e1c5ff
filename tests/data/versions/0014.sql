-- What a program of schema 14 adds: a line for each change from then on, written by triggers.
SET app.act = 'person|0195a9c6-0000-7000-8000-0000000000a1|office|01980000-0000-7000-8000-0000000000aa|change company';
UPDATE company SET name = name || ' of old', version = version + 1;
RESET app.act;
